"""The example message logs: what their scripts did is what the study finds, and no charger breaks a rule by itself."""

from importlib.resources import files

import pytest

from brickbook.book import Book
from brickbook.core.conditions import Conditions
from brickbook.core.study import Evidence
from brickbook.core.table import RawFile
from brickbook.demo.messages import SCRIPTS, messages
from brickbook.readers import Part, assemble, guess_shape, read_file
from brickbook.rules import judge, parse_rules
from brickbook.studies.negotiation import STUDY
from brickbook.studies.negotiation.figures import figures
from brickbook.studies.negotiation.story import tell
from brickbook.usbpd import EprEntered, KeepAlive

from .conftest import Found

SCENARIO = files("brickbook.demo") / "scenario"
RULES = parse_rules((files(STUDY.package) / "rules.toml").read_text(encoding="utf-8"), "negotiation/rules.toml")


class Campaign:
    """One example charger's recordings and what the study makes of them."""

    def __init__(self, book, slug):
        self.charger = book.charger(slug)
        self.deposits = tuple(messages(slug, self.charger, seed=3))
        parts = []
        for deposit in self.deposits:
            shape = guess_shape(deposit.data, deposit.name).shape if deposit.reader == "meter-log" else None
            tables = read_file(
                deposit.reader,
                deposit.data,
                name=deposit.name,
                raw=RawFile(deposit.name, "0" * 64),
                shape=shape,
                conditions=Conditions.of(deposit.conditions),
                instruments=deposit.instruments,
            )
            parts += [Part(table, deposit.recording, deposit.studies) for table in tables]
        self.recordings = assemble(parts)
        given = Evidence(self.charger, book.settings, book.instruments, self.recordings)
        self.found = Found(figures(given))
        self.findings = judge(self.found.figures, RULES, self.charger, book.settings)


@pytest.fixture(scope="module")
def campaigns(tmp_path_factory):
    root = tmp_path_factory.mktemp("book")
    for name in ("book.toml", "bench.toml", "house-rules.toml"):
        (root / name).write_text((SCENARIO / name).read_text(encoding="utf-8"), encoding="utf-8")
    (root / "shapes.toml").write_text("", encoding="utf-8")
    for slug in SCRIPTS:
        (root / "chargers" / slug / "raw").mkdir(parents=True)
        text = (SCENARIO / slug / "charger.toml").read_text(encoding="utf-8")
        (root / "chargers" / slug / "charger.toml").write_text(text, encoding="utf-8")
    book = Book.open(root)
    return {slug: Campaign(book, slug) for slug in SCRIPTS}


@pytest.mark.parametrize("slug", SCRIPTS)
def test_logs_are_long_and_lawful(campaigns, slug):
    campaign = campaigns[slug]
    (log,) = [table for table in campaign.recordings[0].tables if table.messages is not None]
    assert len(log) >= 250
    assert campaign.found.warnings() == []
    assert {f.decision for f in campaign.findings} == {"meets"}


def test_equal_seeds_give_equal_bytes(campaigns):
    campaign = campaigns["heron-120"]
    again = tuple(messages("heron-120", campaign.charger, seed=3))
    assert [d.data for d in again] == [d.data for d in campaign.deposits]
    other = tuple(messages("heron-120", campaign.charger, seed=4))
    assert all(a.data != b.data for a, b in zip(other[::2], campaign.deposits[::2], strict=True))
    assert tuple(messages("no-such", campaign.charger, seed=3)) == ()


def test_wren_makes_its_first_contract_and_has_no_neighbours(campaigns):
    found = campaigns["wren-35"].found
    # debounce 110-160 ms, three questions to the cable, an offer within 250 ms of 5 V, then at most 320 ms
    assert 0.3 < found.one("first_contract_s", since="plug").value < 0.7
    assert found.all("reboot_count") == []
    assert found.one("renegotiation_count", cause="neighbour").value == 0
    assert found.one("renegotiation_count", cause="device").value > 30
    assert not any("EPR" in str(f.conditions["timer"]) for f in found.all("timer_s"))


def test_plover_renegotiates_and_interrupts_nothing(campaigns):
    found = campaigns["plover-67"].found
    plugs = found.all("neighbour_to_contract_s", port="C1", event="plug")
    pulls = found.all("neighbour_to_contract_s", port="C1", event="unplug")
    assert (len(plugs), len(pulls)) == (3, 3)
    assert all(0.2 < f.value < 0.4 for f in plugs)
    assert all(0.45 < f.value < 0.8 for f in pulls)
    powers = found.all("contract_power_w", port="C1", event="plug")
    assert {(f.conditions["moment"], f.value) for f in powers} == {("before", 67.0), ("after", 46.0)}
    assert found.one("reboot_count", port="C1").value == 0
    assert all(f.value == 0 for f in found.all("time_without_power_s"))
    assert all(f.value > 19.9 for f in found.all("lowest_voltage_v"))
    assert all(f.value == 0 for f in found.all("hard_reset_count"))


def test_heron_cuts_c2_off_once(campaigns):
    found = campaigns["heron-120"].found
    assert found.one("reboot_count", port="C2").value == 1
    assert found.one("reboot_count", port="C1").value == 0
    assert found.one("hard_reset_count", port="C2").value == 1
    (cut,) = [f for f in found.all("time_without_power_s", port="C2") if f.value > 0]
    assert (cut.conditions["neighbour"], cut.conditions["event"], cut.conditions["event_s"]) == ("C1", "plug", 6.0)
    # 0.86 s to 0.90 s at 0 V in the script, a fall of 15 V in 90 ms and a rise of 5 V in 40 ms
    low, high = (t + 0.090 * 4 / 15 + 0.040 * 4 / 5 for t in (0.86, 0.90))
    assert low - 0.001 < cut.value < high + 0.001
    assert 0.86 < found.one("time_at_zero_s", port="C2", event_s=6.0).value < 0.95


def test_albatross_groups_leave_each_other_alone(campaigns):
    campaign = campaigns["albatross-200"]
    found = campaign.found
    assert found.one("renegotiation_count", port="C1", cause="neighbour").value == 0
    assert found.one("reboot_count", port="C1").value == 0
    felt = found.all("neighbour_to_contract_s")
    assert {(f.conditions["port"], f.conditions["neighbour"]) for f in felt} == {("C2", "C3")}
    assert found.one("contract_power_w", port="C1", neighbour="C3", event="plug", moment="after").value == 140.0

    (c1,) = [port for port in tell(campaign.recordings[0]).ports if port.port == "C1"]
    events = [type(event) for event in c1.timeline.history.events]
    assert events.count(EprEntered) == 1
    assert events.count(KeepAlive) > 60
