"""The page: charts that can be drawn, honest envelopes, and rules that parse and judge."""

from importlib.resources import files

import numpy as np
import pytest

from brickbook.core.page import Chart, TableBlock
from brickbook.core.study import Mains, Settings, View
from brickbook.demo.scenario import CHARGERS
from brickbook.demo.waveforms import Emission, ac_waveform, captures
from brickbook.publish.charts import chart_svg
from brickbook.rules import judge, parse_rules
from brickbook.studies.ripple import STUDY

SETTINGS = Settings((Mains(230.0, 50.0),))


@pytest.fixture
def measured(record, study, rng):
    def waves(rate_hz, count, noise_v):
        emission = Emission(0.005, 50.0, 0.02, 120e3, 0.01, 0.01, noise_v=noise_v)
        return ac_waveform(emission, rate_hz, count, rng)

    recordings = tuple(
        record(waves(rate_hz, count, noise_v), rate_hz, name=f"{name}-{load}", load_a=load)
        for load, noise_v in ((1.0, 0.001), (2.0, 0.02))
        for name, rate_hz, count in (("slow", 400e3, 80_000), ("fast", 100e6, 65_536))
    )
    return recordings, study(*recordings)


def page_of(measured, charger):
    recordings, outcome = measured
    return STUDY.page(View(charger, SETTINGS, outcome.figures, (), outcome.notes, lambda: recordings))


def test_every_chart_can_be_drawn(measured, charger):
    section = page_of(measured, charger)
    charts = [b for b in section.blocks if isinstance(b, Chart)]
    names = [c.id for c in charts]
    assert names[:3] == ["ripple-c1-load", "ripple-c1-whole", "ripple-c1-mains"]
    assert names[-1] == "ripple-c1-spectrum"
    for chart in charts:
        assert "<svg" in chart_svg(chart)
        assert chart.alt
    assert "2 combinations" in section.lead
    table = next(b for b in section.blocks if isinstance(b, TableBlock))
    assert len(table.rows) == 2


def test_pictures_hold_every_extreme(measured, charger):
    recordings, outcome = measured
    charts = {b.id: b for b in page_of(measured, charger).blocks if isinstance(b, Chart)}
    worst = max((f for f in outcome.figures if f.name == "ripple_20mhz_pp_v"), key=lambda f: f.value)
    slow = next(r for r in recordings if r.name == f"slow-{worst.conditions['load_a']}").captures[0]
    values = slow.channels[0].values()
    drawn = np.array(charts["ripple-c1-whole"].series[0].y) / 1000
    assert np.ptp(drawn) == pytest.approx(np.ptp(values), rel=1e-9)
    assert len(drawn) <= 2000


def test_nothing_measured(charger):
    assert "not measured" in STUDY.page(View(charger, SETTINGS, (), (), ())).lead


def test_limits_say_that_they_are_common_practice(measured, charger):
    text = (files("brickbook.studies.ripple") / "rules.toml").read_text(encoding="utf-8")
    rules = parse_rules(text, "rules.toml", "standard")
    findings = judge(measured[1].figures, rules, charger, SETTINGS)
    # 1 % of 20 V peak to peak
    one = [f for f in findings if f.rule == "ripple-one-percent"]
    assert {f.limit for f in one} == {0.2}
    assert all("common practice" in f.source for f in one)
    assert all((f.decision == "meets") == (f.p_conform >= 0.95) for f in one)


@pytest.mark.parametrize("slug", ["wren-35", "albatross-200"])
def test_example_captures(slug):
    made = list(captures(CHARGERS[slug], {}, seed=5))
    again = list(captures(CHARGERS[slug], {}, seed=5))
    assert made == again
    assert sum(len(r.data) for r in made) < 9e6
    assert len({r.name for r in made}) == len(made)
    assert all(r.studies == ("ripple",) for r in made)


def test_example_waveform_is_what_it_says(rng):
    emission = Emission(0.005, 50.0, 0.02, 120e3, 0.0, 0.0, noise_v=0.0)
    values = ac_waveform(emission, 2e6, 400_000, rng)
    # sqrt(a^2/2 (1 + 0.12^2) + h^2/12)
    assert values.std() == pytest.approx(np.sqrt(0.005**2 / 2 * (1 + 0.12**2) + 0.02**2 / 12), rel=2e-3)
    noise = ac_waveform(Emission(0.0, 50.0, 0.0, 120e3, 0.0, 0.0, noise_v=0.003), 100e6, 400_000, rng)
    assert noise.std() == pytest.approx(0.003, rel=0.03)
