"""What a reader is shown."""

import pytest

from brickbook.core.page import Chart, TableBlock
from brickbook.core.study import View
from brickbook.publish.charts import vega_lite
from brickbook.studies.negotiation import STUDY
from brickbook.studies.negotiation.figures import figures

from .conftest import (
    AT_15V,
    AT_20V_LESS,
    LESS,
    Script,
    event_table,
    evidence,
    log_table,
    recording,
    trace_table,
)
from .test_figures import CUT, STEADY


def shown(charger, *recordings):
    given = evidence(charger, *recordings)
    outcome = figures(given)
    return STUDY.page(View(charger, given.settings, outcome.figures, (), outcome.notes, lambda: recordings))


def two_wires():
    cut, kept = Script("C2"), Script("C1")
    cut.contract(0.6)
    cut.reset(5.3)
    cut.contract(6.4, LESS, AT_15V)
    cut.send(11.9, 0x12, source=False)
    kept.contract(0.6)
    kept.contract(5.2, LESS, AT_20V_LESS)
    kept.send(11.8, 0x12, source=False)
    return recording(
        log_table(kept, cut), event_table((5.0, "A1", "plug")), trace_table("C1", STEADY), trace_table("C2", CUT)
    )


def test_the_page_says_who_was_cut_off(two_ports):
    section = shown(two_ports, two_wires())
    assert "rebooted a device without a battery on C2" in section.lead
    assert "0.83 s" in section.lead
    assert "1 hard reset" in section.lead
    timeline, cut = [block for block in section.blocks if isinstance(block, Chart)]
    assert timeline.title == "C2 lost its supply when a neighbour was plugged or pulled"
    assert timeline.strip.rows == ("C1", "C2")
    assert ("C2", pytest.approx(5.41), pytest.approx(6.24), "no power") in [tuple(s) for s in timeline.strip.spans]
    assert [limit.name for limit in timeline.limits] == ["A1 plug"]
    assert "C2 is without power" in cut.title
    for chart in (timeline, cut):
        assert vega_lite(chart)["$schema"]


def test_contracts_follow_one_another_without_gap_or_overlap(two_ports):
    chart = next(block for block in shown(two_ports, two_wires()).blocks if isinstance(block, Chart))
    spans = sorted(s for s in chart.strip.spans if s[0] == "C1" and s[3] not in ("negotiating", "no power"))
    assert [kind for _, _, _, kind in spans] == ["20 V 3 A", "20 V 1.5 A"]
    assert spans[0][2] == spans[1][1]


def test_the_tables_speak_in_plain_words(two_ports):
    tables = {b.title: b for b in shown(two_ports, two_wires()).blocks if isinstance(b, TableBlock)}
    effects = tables["What a neighbour's plug does (plugs)"].rows
    assert [(row[1], row[3], row[7]) for row in effects] == [
        ("C1", "20 V 3 A → 20 V 1.5 A", "runs on"),
        ("C2", "20 V 3 A → 15 V 3 A", "reboots"),
    ]
    happened = [row[1:4] for row in tables["Negotiations (plugs)"].rows]
    assert ("C2", "hard reset: supply cut and started anew", "plug on A1, 0.30 s before") in happened
    assert ("C1", "the charger made a new offer", "plug on A1, 0.20 s before") in happened
    assert happened.count(("C1", "first contract", "its own plug")) == 1


def test_without_plug_events_nothing_is_claimed_of_neighbours(two_ports):
    script = Script("C1")
    script.contract(0.6)
    section = shown(two_ports, recording(log_table(script)))
    assert "was not tried" in section.lead
    assert "No plug" not in section.lead


def test_a_page_of_nothing(two_ports):
    assert "not recorded" in shown(two_ports).lead


def test_many_contracts_share_the_colours(two_ports):
    script = Script("C1")
    for k in range(7):
        script.contract(1.0 + k, LESS, 0x40000000 | (100 + k) << 10 | (100 + k))
    chart = next(b for b in shown(two_ports, recording(log_table(script))).blocks if isinstance(b, Chart))
    kinds = {kind for _, _, _, kind in chart.strip.spans}
    assert "other contract" in kinds
    assert len(kinds) <= 6
