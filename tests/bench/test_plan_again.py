"""A plan made anew keeps the tester's hand; times add up; one log serves several studies."""

from dataclasses import replace

import pytest

from brickbook.bench.planning import build_plan, predicted_time, renewed_plan
from brickbook.bench.planning.merge import merged, serves
from brickbook.bench.planning.times import hands_of, own_s
from brickbook.core.charger import Charger, Nameplate, Output, Port, Sample
from brickbook.core.errors import BookError
from brickbook.core.instrument import Instrument
from brickbook.core.plan import Dwell, PlanStep, PlanTask, PortSetting, TestPlan
from brickbook.core.study import Mains, Settings
from brickbook.studies import STUDIES

SETTINGS = Settings(mains=(Mains(230.0, 50.0),))
FEW = [one for one in STUDIES if one.id in ("identity", "standby", "regulation", "soak")]


def charger(top_a: float = 2.25) -> Charger:
    outputs = (Output("fixed", 3.0, voltage_v=5.0), Output("fixed", top_a, voltage_v=20.0))
    return Charger("Example", "Works", "EX", Nameplate(45.0), (Port("C1", "usb-c", outputs),), Sample("bought"))


def first() -> TestPlan:
    return build_plan("example", charger(), SETTINGS, "standard", studies=FEW)


def again(before: TestPlan, of: Charger | None = None, size=None, **more):
    return renewed_plan(before, of or charger(), SETTINGS, size, studies=FEW, **more)


def of_study(plan: TestPlan, study: str) -> list[PlanTask]:
    return [task for task in plan.tasks if study in task.studies]


def with_task(plan: TestPlan, task: PlanTask) -> TestPlan:
    return replace(plan, tasks=tuple(task if t.id == task.id else t for t in plan.tasks))


def with_longer_stay(task: PlanTask) -> PlanTask:
    steps = tuple(replace(step, dwell=Dwell(step.dwell.min_s + 111.0, step.dwell.max_s + 999.0)) for step in task.steps)
    return replace(task, steps=steps)


class TestAgain:
    def test_nothing_changes_when_nothing_has_changed(self):
        plan, changes = again(first())
        assert plan == first()
        assert not any((changes.new, changes.updated, changes.edited, changes.own, changes.gone, changes.left_out))

    def test_an_edited_stay_is_kept_and_its_time_told_anew(self):
        edited = with_longer_stay(of_study(first(), "regulation")[0])
        plan, changes = again(with_task(first(), edited))
        kept = plan.task(edited.id)
        assert kept.steps == edited.steps
        assert kept.predicted_s > edited.predicted_s
        assert changes.edited == (edited.id,)
        assert changes.overtaken == ()

    def test_a_removed_task_comes_back_unless_it_is_left_out(self):
        gone = of_study(first(), "soak")[0]
        without = replace(first(), tasks=tuple(t for t in first().tasks if t.id != gone.id))
        plan, changes = again(without)
        assert plan.task(gone.id) == gone
        assert changes.new == (gone.id,)
        plan, changes = again(replace(without, left_out=(gone.id,)))
        assert gone.id not in {t.id for t in plan.tasks}
        assert plan.left_out == (gone.id,)
        assert changes.left_out == (gone.id,)
        assert again(plan)[0] == plan

    def test_a_task_of_the_testers_own_stays_in_every_size(self):
        own = replace(of_study(first(), "regulation")[0], id="my-own", title="Mine", made="")
        before = replace(first(), tasks=(own, *first().tasks))
        for size in ("short", "standard", "full"):
            plan, changes = again(before, size=size)
            assert replace(plan.task("my-own"), predicted_s=own.predicted_s) == own
            assert changes.own == ("my-own",)

    def test_a_copied_task_with_another_id_is_kept_as_an_edit(self):
        copy = with_longer_stay(replace(of_study(first(), "regulation")[0], id="copied"))
        plan, changes = again(replace(first(), tasks=(*first().tasks, copy)))
        assert plan.task("copied").steps == copy.steps
        assert "copied" in changes.edited

    def test_new_claims_change_what_was_not_edited_and_overtake_what_was(self):
        sweeps = [t for t in of_study(first(), "regulation") if t.raw_conditions["contract"] == "20 V"]
        edited = with_longer_stay(sweeps[0])
        plan, changes = again(with_task(first(), edited), charger(2.0))
        assert plan.task(edited.id).steps == edited.steps
        assert changes.overtaken == (edited.id,)
        (soak,) = of_study(plan, "soak")
        assert max(step.ports[0].current_a for step in soak.steps) == 2.0
        assert soak.id in changes.updated

    def test_a_smaller_campaign_drops_what_it_no_longer_holds_but_no_edits(self):
        cable = next(t for t in of_study(first(), "standby") if t.conditions["situation"] == "cable")
        held = next(t for t in of_study(first(), "standby") if t.conditions["situation"] == "5 V held")
        plan, changes = again(with_task(first(), replace(held, title="Mine now")), size="short")
        assert cable.id in changes.gone
        assert plan.task(held.id).title == "Mine now"
        assert plan.size == "short"

    def test_the_testers_order_is_kept_and_new_tasks_find_a_place(self):
        backwards = replace(first(), order="mine", tasks=first().tasks[::-1])
        assert [t.id for t in again(backwards)[0].tasks] == [t.id for t in backwards.tasks]
        missing_one = replace(backwards, tasks=tuple(t for t in backwards.tasks if "soak" not in t.studies))
        plan, changes = again(missing_one)
        assert [t.id for t in plan.tasks if t.id not in changes.new] == [t.id for t in missing_one.tasks]
        assert len(plan.tasks) == len(first().tasks)

    def test_conditions_of_the_campaign_are_kept_and_go_with_every_log(self):
        plan, _ = again(replace(first(), conditions={"fixture_ohm": 0.004}))
        assert plan.conditions == {"fixture_ohm": 0.004}
        log, sheet = of_study(plan, "soak")[0], of_study(plan, "identity")[0]
        assert plan.conditions_of(log)["fixture_ohm"] == 0.004
        assert "fixture_ohm" not in plan.conditions_of(sheet)

    def test_tasks_after_each_other_in_a_circle_are_told(self):
        soak, sweep = of_study(first(), "soak")[0], of_study(first(), "regulation")[0]
        plan = with_task(first(), replace(soak, after=("regulation",)))
        plan = with_task(plan, replace(sweep, after=("soak",)))
        with pytest.raises(BookError, match=r"chargers/example/plan\.toml: after: .*circle"):
            again(plan)


def log(name: str, current_a: float = 0.0, min_s: float = 600.0, **more) -> PlanTask:
    steps = (PlanStep("stay", (PortSetting("C1", "20 V", current_a),), Dwell(min_s, 2 * min_s)),)
    base = {"id": name, "studies": (name,), "title": name, "kind": "log", "steps": steps, "mains_v": 230.0}
    return PlanTask(**(base | {"mains_hz": 50.0} | more))


class TestTimes:
    def test_a_sum_done_by_hand(self):
        plan = TestPlan(
            "example",
            "short",
            (
                log("hot", 1.0, by_hand=("Look.",)),
                log("other", 0.0, mains_v=115.0, by_hand=("Look.",)),
                log("cold", 0.0, mains_v=115.0, rest_s=1800.0),
            ),
        )
        hot, other, cold = predicted_time(plan).tasks
        # mains and one plug by hand, and one sentence: 60 + 30 + 60 s; 600 s and 3 s to negotiate
        assert (hot.change_s, hot.rest_s, hot.own_s, hot.longest_s) == (150.0, 0.0, 603.0, 1203.0)
        # the sentence holds, the plug is in; mains by hand
        assert (other.change_s, other.rest_s, other.begin_s) == (60.0, 0.0, 753.0)
        # since the load went off: 60 s and 603 s
        assert (cold.change_s, cold.rest_s) == (0.0, 1800.0 - 663.0)
        assert predicted_time(plan).total_s == pytest.approx(753.0 + 663.0 + 1137.0 + 603.0)
        assert predicted_time(plan).at_most_s == pytest.approx(predicted_time(plan).total_s + 3 * 600.0)

    def test_a_cold_start_wants_time_off_mains(self):
        again_cold = log("cold", rest_s=1800.0, off_s=1800.0)
        sheet = PlanTask("sheet", ("sheet",), "sheet", "hand", ask=(("mass_g", "charger", "g"),) * 20)
        plan = TestPlan("example", "short", (log("idle", 0.0), sheet, again_cold))
        _, typed, cold = predicted_time(plan).tasks
        # unplugged and mains off by hand: 90 s, 20 readings of 15 s, plugged and on again: 90 s
        assert (typed.change_s, typed.own_s, cold.change_s) == (90.0, 300.0, 90.0)
        assert cold.rest_s == 1800.0 - 480.0

    def test_a_bench_that_sets_mains_and_plugs_by_itself_needs_no_hands(self):
        bench = {
            "source": Instrument("ac-source", address="TCPIP::192.0.2.1::5025::SOCKET"),
            "sink": Instrument("pd-sink", address="TCPIP::192.0.2.2::5025::SOCKET", channels={"C1": "1"}),
            "by hand": Instrument("pd-sink", channels={"C2": "1"}),
        }
        hands = hands_of(bench)
        assert hands.mains
        assert hands.ports == {"C1"}
        (only,) = predicted_time(TestPlan("example", "short", (log("hot", 1.0),)), bench).tasks
        assert only.change == ()
        assert only.change_s < 10.0

    def test_plugs_within_a_recording_take_time(self):
        stay = Dwell(6.0, 6.0)
        steps = tuple(PlanStep(f"{k}", (PortSetting("C1", "5 V"),) if k % 2 else (), stay) for k in range(4))
        task = log("messages", steps=steps, kind="messages")
        assert own_s(task) == pytest.approx(4 * 6.0 + 2 * 3.0 + 3 * 30.0)

    def test_soaks_and_standby_use_each_others_time(self):
        """The rest before a soak holds the readings that need no load: the sequence waits less than the rests' sum."""
        plan = first()
        times = predicted_time(plan)
        assert times.resting_s < sum(task.rest_s for task in plan.tasks) / 4


class TestMerging:
    def test_a_log_that_passes_through_anothers_loads_serves_it(self):
        long = log("efficiency", 2.0, min_s=400.0, predicted_s=999.0, conditions={"measured_at": "receptacle"})
        short = log("regulation", 2.0, min_s=15.0, predicted_s=20.0, conditions={"output_kind": "fixed"})
        assert serves(long, short)
        assert not serves(short, long)
        (both,) = merged([short, long])
        assert both.id == "efficiency"
        assert both.studies == ("efficiency", "regulation")
        assert both.conditions == {"measured_at": "receptacle", "output_kind": "fixed"}

    @pytest.mark.parametrize(
        "change",
        [
            {"mains_v": 115.0},
            {"conditions": {"measured_at": "cable end"}},
            {"steps": (PlanStep("x", (PortSetting("C1", "20 V", 2.1),), Dwell(15.0, 60.0)),)},
            {"steps": (PlanStep("x", (PortSetting("C1", "9 V", 2.0),), Dwell(15.0, 60.0)),)},
            {"steps": (PlanStep("x", (PortSetting("C1", "20 V", 2.0),), Dwell(500.0, 600.0)),)},
            {"steps": (PlanStep("x", (PortSetting("C2", "20 V", 2.0),), Dwell(15.0, 60.0)),)},
            {"rest_s": 1800.0},
            {"interval_s": 0.1},
            {"kind": "offers"},
        ],
    )
    def test_it_does_not_serve_what_differs(self, change):
        long = log("efficiency", 2.0, min_s=400.0, predicted_s=999.0, conditions={"measured_at": "receptacle"})
        base = {"conditions": {}, "predicted_s": 20.0, "min_s": 15.0}
        short = log("regulation", 2.0, **(base | change))
        assert not serves(long, short)
        assert len(merged([long, short])) == 2

    def test_in_a_short_campaign_of_one_port_efficiency_serves_regulation(self):
        some = [one for one in STUDIES if one.id in ("efficiency", "regulation")]
        plan = build_plan("example", charger(), SETTINGS, "short", studies=some)
        assert [task.studies for task in plan.tasks] == [("efficiency", "regulation")] * 2
