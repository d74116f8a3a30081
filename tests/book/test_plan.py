"""plan.toml: read back equal, edits and comments kept, faults with their place."""

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from brickbook.book import Book
from brickbook.book.plan_file import plan_text, read_plan
from brickbook.core.errors import BookError
from brickbook.core.plan import Dwell, PlanStep, PlanTask, PortSetting, TestPlan

RULE = "bench"


def task(name: str, current_a: float = 1.5, **more) -> PlanTask:
    steps = (
        PlanStep("half", (PortSetting("C1", "20 V", current_a),), Dwell(15.0, 60.0, RULE)),
        PlanStep('all "of it"', (PortSetting("C1", "20 V", 2 * current_a),), Dwell(15.0, 60.0)),
    )
    base = {
        "id": name,
        "studies": ("regulation",),
        "title": f"Task {name}",
        "kind": "log",
        "steps": steps,
        "mains_v": 230.0,
        "mains_hz": 50.0,
        "conditions": {"measured_at": "receptacle", "u_fixture_ohm": 0.0003, "running": True},
        "by_hand": ("Plug it in.", "Look at it."),
        "cautions": ("Mains kills.",),
    }
    return PlanTask(**(base | more))


def plan(*tasks: PlanTask, **more) -> TestPlan:
    return TestPlan("example-65w", "standard", tasks, **more)


def plan_path(book: Book):
    return book.root / "chargers" / "example-65w" / "plan.toml"


def test_a_plan_is_read_back_equal(book: Book):
    hand = PlanTask(
        id="identity-1",
        studies=("identity",),
        title="Size",
        kind="hand",
        ask=(("length_mm", "body length", "mm"), ("mass_g", "charger", "g")),
    )
    made = plan(
        task("a", after=("*",), rest_s=1800.0),
        hand,
        left_out=("b",),
        order="mine",
        conditions={"fixture_ohm": 0.004},
        notes=("C3 like C2",),
    )
    book.write_plan("example-65w", made)
    assert book.plan("example-65w") == made


def test_writing_the_same_plan_again_leaves_every_byte(book: Book):
    book.write_plan("example-65w", plan(task("a"), task("b")))
    before = plan_path(book).read_bytes()
    book.write_plan("example-65w", book.plan("example-65w"))
    assert plan_path(book).read_bytes() == before


def test_comments_move_with_their_task(book: Book):
    book.write_plan("example-65w", plan(task("a"), task("b")))
    text = plan_path(book).read_text()
    first, second = (m.start() for m in re.finditer(r"(?m)^\[\[tasks\]\]", text))
    text = (
        text[:first]
        + "# why a: ask Jo\n"
        + text[first:second]
        + "# why b\n"
        + text[second:].replace("mains_hz", "# not 60\nmains_hz")
    )
    plan_path(book).write_text("# mine, on top\n" + text)
    book.write_plan("example-65w", plan(task("c"), task("b", current_a=1.0), task("a")))
    after = plan_path(book).read_text()
    blocks = re.split(r"(?m)^(?=# why|\[\[tasks\]\]\nid = \"c)", after)
    assert "# mine, on top" in blocks[0]
    assert [re.search('id = "(.)"', block)[1] for block in blocks[1:]] == ["c", "b", "a"]
    assert "# why b" in blocks[2]
    assert "# not 60" in blocks[2]
    assert "# why a: ask Jo" in blocks[3]
    assert book.plan("example-65w").tasks[1] == task("b", current_a=1.0)


def test_an_unchanged_task_keeps_its_own_writing(book: Book):
    book.write_plan("example-65w", plan(task("a"), task("b")))
    text = plan_path(book).read_text().replace("mains_v = 230.0", "mains_v   = 230  # as always", 1)
    plan_path(book).write_text(text)
    book.write_plan("example-65w", plan(task("b"), task("a", predicted_s=12.0, made="x")))
    after = plan_path(book).read_text()
    assert "mains_v   = 230  # as always" in after
    assert book.plan("example-65w") == plan(task("b"), task("a", predicted_s=12.0, made="x"))


@pytest.mark.parametrize(
    ("old", "new", "place", "words"),
    [
        ('port = "C1"', 'port = "C9"', "tasks[0].steps[0].ports[0].port", "not a port"),
        ("min_s = 15.0", "min_s = 90.0", "tasks[0].steps[0].dwell", "shorter than"),
        ('kind = "log"', 'kind = "logg"', "tasks[0].kind", "captures"),
        (f'rule = "{RULE}"', 'rule = "bensh"', "tasks[0].steps[0].dwell.rule", 'Did you mean "bench"'),
        ("current_a = 1.5", "current_a = -1.5", "current_a", "at least 0"),
        ('contract = "20 V"', 'contract = ""', "contract", "nothing plugged in"),
        ("mains_v = 230.0", "main_v = 230.0", "tasks[0].main_v", "mains_v"),
        ('id = "b"', 'id = "a"', "", "stands twice"),
        ("steps = [", "steps = [[", "line ", "not valid TOML"),
    ],
)
def test_a_fault_is_told_with_its_place_and_nothing_is_lost(book: Book, old, new, place, words):
    book.write_plan("example-65w", plan(task("a"), task("b")))
    wrong = plan_path(book).read_text().replace(old, new, 1)
    plan_path(book).write_text(wrong)
    with pytest.raises(BookError) as caught:
        book.plan("example-65w", rules=(RULE,))
    told = str(caught.value)
    assert "chargers/example-65w/plan.toml" in told
    assert place in told
    assert words in told
    if words not in ("not a port", 'Did you mean "bench"', "nothing plugged in"):
        with pytest.raises(BookError):
            book.write_plan("example-65w", plan(task("a")))
        assert plan_path(book).read_text() == wrong


def test_tasks_in_one_line_are_not_rewritten(book: Book):
    text = (
        'charger = "example-65w"\nsize = "short"\ntasks = [{ id = "a", studies = ["x"], title = "t", kind = "hand", '
        'by_hand = ["Look."] }]\n'
    )
    plan_path(book).write_text(text)
    assert book.plan("example-65w").tasks[0].id == "a"
    with pytest.raises(BookError, match="tasks"):
        book.write_plan("example-65w", plan(task("b")))
    assert plan_path(book).read_text() == text


def test_a_missing_plan_says_how_to_make_one(book: Book):
    assert not book.has_plan("example-65w")
    with pytest.raises(BookError, match="brickbook plan"):
        book.plan("example-65w")


def test_line_ends_and_a_byte_order_mark_of_other_editors_are_kept_or_left_out(book: Book):
    book.write_plan("example-65w", plan(task("a"), task("b")))
    text = plan_path(book).read_text().replace('title = "Task a"', 'title = "Task a"  # mine')
    plan_path(book).write_bytes(("\ufeff" + text.replace("\n", "\r\n")).encode())
    book.write_plan("example-65w", plan(task("b"), task("a", predicted_s=3.0)))
    after = plan_path(book).read_bytes()
    assert after.count(b"\n") == after.count(b"\r\n")
    assert b"# mine" in after
    assert book.plan("example-65w") == plan(task("b"), task("a", predicted_s=3.0))


words = st.text(min_size=1, max_size=12)
numbers = st.floats(0, 1e6, allow_nan=False)
scalars = st.one_of(words, numbers, st.booleans(), st.integers(-5, 5))
stays = st.builds(lambda a, b, r, u: Dwell(a, a + b + 1.0, r, u), numbers, numbers, st.text(max_size=5), numbers)
steps = st.builds(
    PlanStep,
    label=words,
    ports=st.lists(st.builds(PortSetting, st.sampled_from(["C1", "A1"]), words, numbers), max_size=1).map(tuple),
    dwell=stays,
    capture=st.sampled_from(["", "load-step"]),
    conditions=st.dictionaries(words, scalars, max_size=2),
)
tasks = st.builds(
    PlanTask,
    id=words,
    studies=st.lists(words, min_size=1, max_size=2).map(tuple),
    title=words,
    kind=st.just("log"),
    steps=st.lists(steps, min_size=1, max_size=2).map(tuple),
    mains_v=numbers,
    conditions=st.dictionaries(words, scalars, max_size=2),
    by_hand=st.lists(words, max_size=2).map(tuple),
    cautions=st.lists(words, max_size=2).map(tuple),
    rest_s=numbers,
    after=st.lists(words, max_size=2).map(tuple),
    note=st.text(max_size=9),
    made=st.text(max_size=9),
)
plans = st.lists(tasks, max_size=3, unique_by=lambda task: task.id).map(lambda some: plan(*some))


@settings(max_examples=60, deadline=None)
@given(plans, plans)
def test_any_plan_reads_back_equal_also_over_another(one: TestPlan, other: TestPlan):
    first = plan_text("plan.toml", one)
    assert read_plan("plan.toml", first) == one
    assert plan_text("plan.toml", one, first) == first
    # tasks of both: their own words are kept, and the plan is the new one
    both = plan(*one.tasks, *(task for task in other.tasks if task.id not in {t.id for t in one.tasks}))
    again = plan_text("plan.toml", both, first)
    assert read_plan("plan.toml", again) == both
    assert read_plan("plan.toml", plan_text("plan.toml", other, again)) == other
