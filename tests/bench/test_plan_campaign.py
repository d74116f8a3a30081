"""Tasks of a campaign against the clauses they come from, and against what must be counted."""

import functools
import tomllib
from importlib.resources import files
from itertools import combinations, pairwise, permutations
from math import comb

import pytest
from pydantic import TypeAdapter

from brickbook.bench.planning import build_plan
from brickbook.core.charger import Budget, Charger, Nameplate, Output, Port, Sample, SharedOutput
from brickbook.core.outlets import (
    alike_ports,
    contracts,
    end_contract,
    full_load_a,
    least_plugging,
    port_combinations,
)
from brickbook.core.plan import PlanTask
from brickbook.core.study import Mains, Settings
from brickbook.plateaus.rules import STABILITY_RULES
from brickbook.studies import STUDIES
from brickbook.studies.efficiency.loading import nameplate_for

SETTINGS = Settings(mains=(Mains(115.0, 60.0, "US"), Mains(230.0, 50.0, "EU")))
SLUGS = ("wren-35", "plover-67", "heron-120", "albatross-200")


def fixed(*pairs: tuple[float, float], kind: str = "fixed") -> tuple[Output, ...]:
    return tuple(Output(kind, amps, voltage_v=volts) for volts, amps in pairs)


def charger(*ports: Port, total_w: float, **more) -> Charger:
    return Charger("Example", "Example Works", "EX", Nameplate(total_w), ports, Sample("bought"), **more)


def port(name: str, *outputs: Output, connector: str = "usb-c", **more) -> Port:
    return Port(name, connector, outputs, **more)


def example(slug: str) -> Charger:
    path = files("brickbook.demo") / "scenario" / slug / "charger.toml"
    return TypeAdapter(Charger).validate_python(tomllib.loads(path.read_text(encoding="utf-8")))


def plan(of: Charger, size: str = "standard"):
    return build_plan("example", of, SETTINGS, size)


def tasks_of(study: str, of: Charger, size: str = "standard") -> list[PlanTask]:
    """As a study gives them, before they are merged and put in order."""
    return [task for one in STUDIES for task in one.tasks(of, SETTINGS, size) if study in task.studies]


@functools.cache
def example_plan(slug: str, size: str = "standard"):
    return plan(example(slug), size)


def efficiency(of: Charger, end: str, ports: int, size: str = "standard") -> PlanTask:
    return next(
        task
        for task in tasks_of("efficiency", of, size)
        if task.conditions["voltage_end"] == end and len(task.steps[0].ports) == ports and task.mains_v == 115.0
    )


ONE_PD = charger(port("C1", *fixed((5.0, 3.0), (9.0, 3.0), (15.0, 3.0), (20.0, 3.25)), power_w=65.0), total_w=65.0)
# 10 CFR 430 Subpart B Appendix Z 6(b)(1)(iv): 100 W shared by 20 V 5 A, 20 V 3.25 A and 5 V 2.4 A
THREE = charger(
    port("C1", *fixed((5.0, 3.0), (9.0, 3.0), (15.0, 3.0), (20.0, 5.0))),
    port("C2", *fixed((5.0, 3.0), (9.0, 3.0), (15.0, 3.0), (20.0, 3.25))),
    port("A1", *fixed((5.0, 2.4), kind="legacy"), connector="usb-a"),
    total_w=100.0,
)


class TestLoadingConditions:
    """10 CFR 430 Subpart B Appendix Z (87 FR 51221) 5(a)(1) and 6; Regulation (EU) 2025/2052 Annex II Table 5."""

    def test_highest_voltage_falls_from_100_to_25_percent_after_half_an_hour_of_warm_up(self):
        task = efficiency(ONE_PD, "highest", 1)
        warm_up, *steps = task.steps
        # 5(a)(1)(ii): 100 % of nameplate output current for at least 30 minutes
        assert warm_up.ports[0].current_a == 3.25
        assert warm_up.dwell.min_s >= 30 * 60
        # 100, 75, 50, 25 % in this order (definition of average active-mode efficiency); then 10 %
        wanted = [3.25 * share for share in (1.0, 0.75, 0.5, 0.25, 0.10)]
        assert [step.ports[0].current_a for step in steps] == pytest.approx(wanted, abs=1e-4)
        assert {step.ports[0].contract for step in task.steps} == {"20 V"}

    def test_lowest_voltage_of_a_pd_port_is_loaded_to_two_amperes_and_a_tenth_of_nameplate(self):
        task = efficiency(ONE_PD, "lowest", 1)
        # 6(a)(1)(i)(B): 2.0, 1.5, 1.0, 0.5 A; Table 5 footnote 2: the low load is of the nameplate current
        assert [step.ports[0].current_a for step in task.steps] == pytest.approx([3.0, 2.0, 1.5, 1.0, 0.5, 0.3])
        assert {step.ports[0].contract for step in task.steps} == {"5 V"}

    def test_a_shared_supply_is_loaded_in_proportion(self):
        task = efficiency(THREE, "highest", 3)
        derating = 100.0 / (100.0 + 65.0 + 12.0)  # D = P / sum of V I
        full = {p.port: p.current_a for p in task.steps[1].ports}
        assert full == pytest.approx({"C1": 5 * derating, "C2": 3.25 * derating, "A1": 2.4 * derating}, abs=1e-4)
        assert 20 * full["C1"] + 20 * full["C2"] + 5 * full["A1"] == pytest.approx(100.0, abs=0.01)

    def test_ports_without_pd_keep_their_nameplate_current_at_the_lowest_voltage(self):
        task = efficiency(THREE, "lowest", 3)
        # 10 + 10 + 12 W are less than 100 W: no derating
        assert {p.port: p.current_a for p in task.steps[1].ports} == {"C1": 2.0, "C2": 2.0, "A1": 2.4}

    @pytest.mark.parametrize(
        ("of", "count", "drift"), [(ONE_PD, 1, 0.05), (THREE, 3, 0.01)], ids=["one voltage", "several"]
    )
    def test_the_stability_check_is_that_of_the_clause(self, of, count, drift):
        """5(a)(1)(ii): within 5 % over 5 minutes; 5(b)(1)(ii): several voltages, 1 %."""
        for step in efficiency(of, "highest", count).steps[1:]:
            rule = STABILITY_RULES[step.dwell.rule]
            assert (rule.window_s, rule.limit_ratio) == (300.0, drift)
            assert step.dwell.min_s >= 300.0

    def test_both_ends_at_every_supply(self):
        seen = {(t.mains_v, t.mains_hz, t.conditions["voltage_end"]) for t in tasks_of("efficiency", THREE, "short")}
        assert seen == {(v, hz, end) for v, hz in ((115.0, 60.0), (230.0, 50.0)) for end in ("highest", "lowest")}

    def test_a_charger_of_one_voltage_has_one_end(self):
        simple = charger(port("B1", *fixed((12.0, 2.0), kind="legacy"), connector="barrel"), total_w=24.0)
        assert len(tasks_of("efficiency", simple)) == 2  # supplies
        assert len(tasks_of("regulation", simple, "short")) == 1


class TestStandby:
    def test_a_rest_of_half_an_hour_and_a_quarter_of_one_at_least(self):
        """Appendix Z 5(a)(1)(ii); IEC 62301:2011 5.3.2 (from memory, high): 15 minutes at least, two thirds used."""
        for task in tasks_of("standby", ONE_PD, "full"):
            (step,) = task.steps
            assert task.rest_s >= 1800.0
            assert step.dwell.min_s >= 900.0
            assert step.dwell.rule == "iec-62301-sampling"
            assert all(p.current_a == 0.0 for p in step.ports)

    def test_situations_by_size(self):
        names = {
            size: {t.conditions["situation"] for t in tasks_of("standby", ONE_PD, size)}
            for size in ("short", "standard", "full")
        }
        assert names["short"] == {"bare"}
        assert names["standard"] == {"bare", "cable", "5 V held", "9 V held"}
        assert names["full"] == names["standard"] | {"adapter"}


class TestPowerRules:
    """Fixed supplies by PDP: USB Power Delivery power rules, as in a public library's rule check; above 100 W from
    memory, high."""

    TABLE = (
        (15.0, {5: 3.0}),
        (18.0, {5: 3.0, 9: 2.0}),
        (27.0, {5: 3.0, 9: 3.0}),
        (45.0, {5: 3.0, 9: 3.0, 15: 3.0}),
        (60.0, {5: 3.0, 9: 3.0, 15: 3.0, 20: 3.0}),
        (65.0, {5: 3.0, 9: 3.0, 15: 3.0, 20: 3.25}),
        (100.0, {5: 3.0, 9: 3.0, 15: 3.0, 20: 5.0}),
        (140.0, {5: 3.0, 9: 3.0, 15: 3.0, 20: 5.0, 28: 5.0}),
        (240.0, {5: 3.0, 9: 3.0, 15: 3.0, 20: 5.0, 28: 5.0, 36: 5.0, 48: 5.0}),
    )

    @pytest.mark.parametrize(("pdp_w", "supplies"), TABLE)
    def test_every_required_voltage_is_swept_to_its_current_and_nothing_is_said_to_be_missing(self, pdp_w, supplies):
        of = charger(port("C1", *fixed(*supplies.items()), power_w=pdp_w), total_w=pdp_w)
        swept = {t.raw_conditions["output_v"]: t.steps[-1].ports[0].current_a for t in tasks_of("regulation", of)}
        assert swept == supplies
        (offers,) = tasks_of("modes", of)
        assert "power rules" not in offers.note

    @pytest.mark.parametrize(("pdp_w", "supplies"), TABLE[1:])
    def test_a_required_voltage_that_is_not_claimed_is_told(self, pdp_w, supplies):
        left = dict(supplies)
        volts = sorted(left)[len(left) // 2]
        amps = left.pop(volts)
        of = charger(port("C1", *fixed(*left.items()), power_w=pdp_w), total_w=pdp_w)
        (offers,) = tasks_of("modes", of)
        assert f"power rules ask {volts:g} V {amps:g} A of {pdp_w:g} W" in offers.note


class TestContracts:
    def test_adjustable_ranges_at_their_ends_and_middle(self):
        """PPS: ends of the programmable ranges 3.3 to 5.9, 11, 16 and 21 V (USB Power Delivery R3.x)."""
        of = port(
            "C1",
            *fixed((5.0, 3.0)),
            Output("pps", 3.0, min_voltage_v=3.3, max_voltage_v=11.0),
            Output("pps", 2.25, min_voltage_v=3.3, max_voltage_v=21.0),
            Output("epr-avs", 5.0, min_voltage_v=15.0, max_voltage_v=28.0),
        )
        found = {asked.name: asked.current_a for asked in contracts(of)}
        assert found == {
            "5 V": 3.0,
            "PPS 3.3 V": 3.0,  # of two ranges the one that gives more
            "PPS 5.9 V": 3.0,
            "PPS 11 V": 3.0,
            "PPS 21 V": 2.25,
            "AVS 15 V": 5.0,
            "AVS 21.5 V": 5.0,
            "AVS 28 V": 5.0,
        }

    def test_a_port_with_adjustable_ranges_only_has_ends(self):
        of = port("C1", Output("pps", 3.0, min_voltage_v=3.3, max_voltage_v=11.0))
        assert end_contract(of, "highest").name == "PPS 11 V"
        assert end_contract(of, "lowest").name == "PPS 3.3 V"

    @pytest.mark.parametrize("slug", SLUGS)
    def test_full_load_is_the_one_efficiency_is_defined_at(self, slug):
        of = example(slug)
        asked = [end_contract(p, "highest") for p in of.ports]
        nameplate = nameplate_for(of, {a.port: a.voltage_v for a in asked}, lowest=False)
        assert full_load_a(of, asked) == pytest.approx(dict(nameplate.current_a))


def named(count: int, **more) -> Charger:
    """Ports that all differ, or by `alike` the first so many that do not."""
    same = more.pop("alike", 0)
    ports = [port(f"C{k}", *fixed((5.0, 1.0 + (0 if k <= same else k)))) for k in range(1, count + 1)]
    return charger(*ports, total_w=100.0, **more)


class TestCombinations:
    @pytest.mark.parametrize("count", range(1, 8))
    def test_ports_that_differ_give_binomials(self, count):
        of = named(count)
        for size in range(1, count + 1):
            kept, left = port_combinations(of, [size])
            assert len(kept) == comb(count, size)
            assert not left
        every, _ = port_combinations(of, range(1, count + 1))
        assert len(every) == 2**count - 1

    @pytest.mark.parametrize("count", range(1, 8))
    def test_ports_all_alike_give_one_of_each_number(self, count):
        kept, left = port_combinations(named(count, alike=count), range(1, count + 1))
        assert [len(together) for together in kept] == list(range(1, count + 1))
        assert len(kept) + len(left) == 2**count - 1

    @pytest.mark.parametrize(("count", "alike"), [(3, 2), (4, 2), (5, 3), (5, 2), (6, 4)])
    def test_of_combinations_that_swapping_turns_into_each_other_one_is_kept(self, count, alike):
        """Orbits of the sets of ports under the permutations of those that are alike, counted by trying them all."""
        of = named(count, alike=alike)
        ids = [p.id for p in of.ports]
        orbits = set()
        for size in range(1, count + 1):
            for together in combinations(ids, size):
                images = [
                    frozenset(dict(zip(ids[:alike], order, strict=True)).get(p, p) for p in together)
                    for order in permutations(ids[:alike])
                ]
                orbits.add(frozenset(images))
        kept, _ = port_combinations(of, range(1, count + 1))
        assert len(kept) == len(orbits) == (alike + 1) * 2 ** (count - alike) - 1
        assert all(any(frozenset(k) in orbit for k in kept) for orbit in orbits)

    def test_budgets_and_sharing_tell_equal_ports_apart(self):
        twins = (port("C1", *fixed((5.0, 3.0))), port("C2", *fixed((5.0, 3.0))))
        assert alike_ports(charger(*twins, total_w=30.0)) == (("C1", "C2"),)
        split = SharedOutput(("C1", "C2"), (15.0, 10.0))
        assert alike_ports(charger(*twins, total_w=30.0, sharing=(split,))) == (("C1",), ("C2",))
        even = SharedOutput(("C1", "C2"), (15.0, 15.0))
        assert alike_ports(charger(*twins, total_w=30.0, sharing=(even,))) == (("C1", "C2"),)
        assert alike_ports(charger(*twins, total_w=30.0, budgets=(Budget(("C1",), 15.0),))) == (("C1",), ("C2",))

    def test_what_is_pruned_is_said(self):
        made = example_plan("albatross-200")
        assert any("C2, C3" in note for note in made.notes)
        (offers,) = [task for task in made.tasks if task.kind == "offers"]
        # pairs of C1, {C2, C3}, {A1, A2}: 1 + 1 within, 1 + 1 + 1 across; all five; each alone
        together = [step for step in offers.steps if "full load" not in step.label]
        assert len(together) == 5 + 5 + 1
        assert "C1+C3 like C1+C2" in offers.note

    def test_a_task_says_what_it_stands_for(self):
        of = example("albatross-200")
        notes = {
            "+".join(p.port for p in task.steps[0].ports): task.note
            for task in tasks_of("efficiency", of, "full")
            if task.mains_v == 230.0
        }
        assert "Stands for" not in notes["C1"]
        assert "Stands for C3 as well" in notes["C2"]
        assert "Stands for C2+A2, C3+A1, C3+A2 as well" in notes["C2+A1"]
        assert "Stands for" not in notes["C1+C2+C3+A1+A2"]

    def test_a_full_campaign_looks_at_every_combination(self):
        (offers,) = tasks_of("modes", example("albatross-200"), "full")
        seen = {frozenset(p.port for p in step.ports) for step in offers.steps}
        assert len(seen) == 2**5 - 1

    def test_few_plugs_between_neighbours(self):
        kept, _ = port_combinations(named(4), range(1, 5))
        ordered = least_plugging(kept)
        assert sorted(ordered) == sorted(kept)

        def plugs(sequence):
            sets = [frozenset(), *map(frozenset, sequence)]
            return sum(len(a ^ b) for a, b in pairwise(sets))

        assert plugs(ordered) < plugs(kept)


class TestTasks:
    @pytest.mark.parametrize(
        ("slug", "size"), [*((slug, "standard") for slug in SLUGS), ("plover-67", "short"), ("plover-67", "full")]
    )
    def test_a_plan_can_be_done(self, slug, size):
        of = example(slug)
        made = example_plan(slug, size)
        place = {task.id: k for k, task in enumerate(made.tasks)}
        known = {study.id for study in STUDIES}
        for task in made.tasks:
            assert set(task.studies) <= known
            assert task.cautions
            assert task.predicted_s > 0
            assert not task.is_edited
            for step in task.steps:
                assert step.dwell.rule in {"", *STABILITY_RULES}
                for setting in step.ports:
                    promised = max(o.current_a for o in of.port(setting.port).outputs)
                    assert setting.contract
                    assert setting.current_a <= 1.5 * promised + 1e-6
            for other in made.tasks:
                if "*" in task.after and "*" not in other.after:
                    assert place[other.id] < place[task.id]
                if set(other.studies) & set(task.after) and other.id != task.id:
                    assert place[other.id] < place[task.id]

    def test_a_larger_campaign_holds_every_study_of_a_smaller(self):
        slug = "plover-67"
        seen = [
            {s for t in example_plan(slug, size).tasks for s in t.studies} for size in ("short", "standard", "full")
        ]
        assert seen[0] < seen[1] <= seen[2]

    def test_ids_are_of_what_a_task_is_and_not_of_its_place(self):
        other = charger(*THREE.ports, total_w=90.0, summary="other words")
        for one in STUDIES:
            ids = [[task.id for task in one.tasks(of, SETTINGS, "standard")] for of in (THREE, other)]
            assert ids[0] == ids[1]
            assert len(set(ids[0])) == len(ids[0])

    def test_stress_comes_last_and_the_barrier_before_it(self):
        kinds = [task.studies[0] for task in plan(THREE).tasks]
        late = [k for k in kinds if k in ("isolation", "overload")]
        assert kinds[-len(late) :] == ["isolation"] * 3 + ["overload"] * 4

    def test_an_overload_stops_at_150_percent_or_the_limit_of_the_bench(self):
        """150 %, steps of 2 %: common practice, no source."""
        ramp = next(t for t in tasks_of("overload", THREE) if "C1" in t.title and "with" not in t.title)
        drawn = [step.ports[0].current_a / 5.0 for step in ramp.steps]
        assert drawn[0] == pytest.approx(0.9)
        assert max(drawn) == pytest.approx(1.5)
        assert drawn[-1] == 0.0
        assert [b - a for a, b in pairwise(drawn[:-1])] == pytest.approx([0.02] * (len(drawn) - 2))
        overload = [one for one in STUDIES if one.id == "overload"]
        limited = build_plan("example", THREE, SETTINGS, "standard", amps=6.0, studies=overload)
        ramp = next(t for t in limited.tasks if t.id == ramp.id)
        assert max(step.ports[0].current_a for step in ramp.steps) == pytest.approx(6.0)
        assert "limit of 6 A" in ramp.note

    def test_a_limit_below_everything_is_said_in_the_plan(self):
        limited = build_plan("example", ONE_PD, SETTINGS, "standard", amps=0.0)
        loaded = [t for one in STUDIES for t in one.tasks(ONE_PD, SETTINGS, "standard") if t.is_loaded]
        assert sum("limit of 0 A" in note for note in limited.notes) == len(loaded)
        assert not any(task.is_loaded for task in limited.tasks)
        assert all(task.steps for task in limited.tasks if task.kind != "hand")

    def test_captures_say_what_they_are_of(self):
        task = next(t for t in tasks_of("ripple", ONE_PD) if t.mains_v == 230.0 and "20 V" in t.title)
        step = next(s for s in task.steps if s.label.startswith("50 %"))
        told = task.step_conditions(step)
        assert told["port"] == "C1"
        assert told["contract"] == "20 V"
        assert told["output_v"] == 20.0
        assert told["load_a"] == pytest.approx(1.625)
        assert told["load_ratio"] == 0.5
        assert told["mains_v"] == 230.0

    def test_neighbours_come_and_go_three_times(self):
        recordings = tasks_of("negotiation", THREE)
        assert [t.title.split()[2] for t in sorted(recordings, key=lambda t: t.title)] == ["C1", "C2"]
        for task in recordings:
            labels = [step.label for step in task.steps]
            neighbours = {"C1", "C2", "A1"} - {task.title.split()[2]}
            assert all(labels.count(f"{name} in") == 3 and labels.count(f"{name} out") == 3 for name in neighbours)
            # 5 s with nothing touched (common practice, no source)
            assert all(step.dwell.min_s >= 5.0 for step in task.steps)
