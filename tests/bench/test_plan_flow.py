"""From the example chargers to plan.toml and back, and from the plan's conditions to the studies' figures."""

import json
from dataclasses import replace
from importlib.resources import files

import pytest

from brickbook import cli
from brickbook.analysis import analyse_charger, gather, save
from brickbook.bench.planning import build_plan, covering, missing_tasks
from brickbook.book import Book, IndexEntry
from brickbook.core.charger import Charger, Nameplate, Output, Port, Sample
from brickbook.core.conditions import Conditions
from brickbook.core.plan import Dwell
from brickbook.core.study import Evidence, Mains, Settings
from brickbook.demo import CHARGERS, campaign, make_book
from brickbook.plateaus.rules import STABILITY_RULES
from brickbook.studies import study

STUDY_TASKS = study("regulation").tasks(
    Charger(
        "Example",
        "Works",
        "EX",
        Nameplate(15.0),
        (Port("C1", "usb-c", (Output("fixed", 3.0, voltage_v=5.0),)),),
        Sample("bought"),
    ),
    Settings(mains=(Mains(230.0, 50.0),)),
    "standard",
)
SLUGS = ("wren-35", "plover-67", "heron-120", "albatross-200")


@pytest.fixture(scope="module")
def book(tmp_path_factory) -> Book:
    root = tmp_path_factory.mktemp("plan") / "book"
    assert sorted(make_book(root, SLUGS[:2], brief=True)) == sorted(SLUGS[:2])
    made_book = Book.open(root)
    for slug in SLUGS[2:]:  # their files are looked at, not read
        (root / "chargers" / slug / "raw").mkdir(parents=True)
        text = (files("brickbook.demo") / "scenario" / slug / "charger.toml").read_text(encoding="utf-8")
        (root / "chargers" / slug / "charger.toml").write_text(text, encoding="utf-8")
    return made_book


def recorded(book: Book, slug: str) -> tuple[IndexEntry, ...]:
    """The index of the example campaign's brief part."""
    if slug in SLUGS[:2]:
        return book.index(slug)
    return tuple(
        IndexEntry(raw.name, "0" * 64, raw.studies, raw.reader, conditions=Conditions.of(raw.conditions))
        for raw in campaign(CHARGERS[slug], book.instruments, seed=1)
    )


def made(book: Book, slug: str, size="standard"):
    return build_plan(slug, book.charger(slug), book.settings, size, instruments=book.instruments)


@pytest.mark.parametrize("slug", SLUGS)
def test_a_plan_is_written_and_read_back_equal_and_covers_all_that_was_recorded(book, slug):
    plan = made(book, slug)
    book.write_plan(slug, plan)
    assert book.plan(slug, rules=STABILITY_RULES) == plan
    entries = recorded(book, slug)
    covered = {entry.path for task in plan.tasks for entry in covering(task, entries)[0]}
    assert covered == {entry.path for entry in entries}
    if slug not in SLUGS[:2]:
        return
    # what was recorded is not missing, and nothing is said to be there that is not
    lacking = {missing.task.id for missing in missing_tasks(book, slug, plan)}
    for task in plan.tasks:
        if task.studies[0] in ("efficiency", "standby", "identity"):
            assert task.id not in lacking
        if task.studies[0] in ("modes", "ripple", "soak", "overload", "isolation", "inrush", "loadstep", "negotiation"):
            assert task.id in lacking


@pytest.mark.parametrize(
    ("slug", "only"), [("plover-67", "efficiency"), ("plover-67", "regulation"), ("wren-35", "standby")]
)
def test_recordings_with_the_plans_conditions_give_the_same_figures(book, slug, only):
    plan = made(book, slug)
    entries = {entry.recording: entry for entry in book.index(slug)}
    recordings = gather(book, slug, only=only).recordings
    stated = ("fixture_ohm", "u_fixture_ohm", "cable_ohm", "u_cable_ohm", "ambient_c")
    as_planned = []
    for recording in recordings:
        (task,) = [t for t in plan.tasks if covering(t, [entries[recording.name]])[0]]
        campaign = {key: recording.conditions[key] for key in stated if key in recording.conditions}
        told = replace(plan, conditions=campaign).conditions_of(task)
        as_planned.append(replace(recording, conditions=Conditions.of(told)))

    def values(some):
        evidence = Evidence(book.charger(slug), book.settings, book.instruments, tuple(some))
        outcome = study(only).figures(evidence)
        return sorted((f.name, f.value, f.u) for f in outcome.figures), len(outcome.notes)

    planned, recorded = values(as_planned), values(recordings)
    assert planned == recorded
    assert len(planned[0]) > 5


def test_files_a_run_named_by_their_task_are_its_files_whatever_their_conditions():
    task = next(t for t in STUDY_TASKS if "regulation" in t.studies)
    entry = IndexEntry(f"{task.id}.csv", "0" * 64, ("regulation",), "meter-log")
    assert covering(task, [entry]) == ((entry,), ())
    assert covering(task, [replace(entry, path="other.csv", recording="other.csv")]) == ((), ("regulation",))


class TestMissing:
    @pytest.fixture
    def wren(self, book) -> Book:
        return book

    def test_a_reading_after_the_calibration_was_due_is_stale(self, wren):
        plan = made(wren, "wren-35")
        bench = wren.root / "bench.toml"
        before = bench.read_text()
        due = next(line for line in before.splitlines() if line.startswith("due"))
        try:
            bench.write_text(before.replace(due, 'due = "2026-01-01"'))
            stale = [m for m in missing_tasks(wren, "wren-35", plan) if m.why == "stale"]
        finally:
            bench.write_text(before)
        assert stale
        assert all("was due on 2026-01-01" in m.words for m in stale)
        assert not [m for m in missing_tasks(wren, "wren-35", plan) if m.why == "stale"]

    def test_claims_that_changed_after_the_analysis_make_logs_stale_but_not_size_and_mass(self, wren):
        slug = "wren-35"
        with wren.lock(slug):
            save(wren, slug, analyse_charger(wren, slug))
        plan = made(wren, slug)
        assert not [m for m in missing_tasks(wren, slug, plan) if m.why == "stale"]
        file = wren.root / "chargers" / slug / "charger.toml"
        before = file.read_text()
        try:
            wren.set_value(slug, "nameplate.total_power_w", 30.0)
            stale = {m.task.studies[0] for m in missing_tasks(wren, slug, plan) if m.why == "stale"}
            wren.set_value(slug, "nameplate.total_power_w", 35.0)
            wren.set_value(slug, "summary", "other words")
            after = [m for m in missing_tasks(wren, slug, plan) if m.why == "stale"]
        finally:
            file.write_text(before)
        assert stale == {"efficiency", "regulation", "standby"}
        assert not after

    def test_a_file_no_figure_came_of_is_stale(self, wren):
        slug = "plover-67"
        analysis = analyse_charger(wren, slug)
        gone = next(e for e in wren.index(slug) if "standby" in e.studies)
        kept = tuple(f for f in analysis.figures if all(rows.file.sha256 != gone.sha256 for rows in f.sources))
        with wren.lock(slug):
            save(wren, slug, replace(analysis, figures=kept))
        stale = [m for m in missing_tasks(wren, slug, made(wren, slug)) if m.why == "stale"]
        assert [(m.words, m.files) for m in stale] == [("no figure came of it", (gone.path,))]


class TestCommand:
    def run(self, capsys, *words: str) -> tuple[int, str, str]:
        code = cli.run(["plan", *words])
        told = capsys.readouterr()
        return code, told.out, told.err

    def test_it_writes_renews_and_keeps_edits(self, book, capsys):
        where = ("--book", str(book.root))
        code, _, _ = self.run(capsys, "heron-120", "--size", "short", *where)
        assert code == 0
        plan = book.plan("heron-120")
        assert plan.size == "short"
        task = next(t for t in plan.tasks if "standby" in t.studies)
        step = replace(task.steps[0], dwell=Dwell(1600.0, 5400.0, task.steps[0].dwell.rule))
        edited = replace(plan, tasks=tuple(replace(t, steps=(step,)) if t.id == task.id else t for t in plan.tasks))
        book.write_plan("heron-120", edited)
        code, out, _ = self.run(capsys, "heron-120", "--json", *where)
        told = json.loads(out)
        assert code == 0
        assert told["changes"]["edited"] == [task.id]
        assert book.plan("heron-120").task(task.id).steps[0].dwell.min_s == 1600.0
        assert told["total_s"] == pytest.approx(told["tasks"][-1]["end_s"])
        assert {row["id"] for row in told["tasks"]} == {t.id for t in book.plan("heron-120").tasks}

    def test_missing_shows_only_what_is_to_be_done(self, book, capsys):
        code, out, _ = self.run(capsys, "wren-35", "--missing", "--json", "--book", str(book.root))
        told = json.loads(out)
        assert code == 0
        assert {row["missing"] for row in told["tasks"]} <= {"missing", "part", "stale"}
        assert "standby" not in {row["studies"][0] for row in told["tasks"]}
        assert len(told["tasks"]) < len(book.plan("wren-35").tasks)

    @pytest.mark.parametrize("columns", [80, 140])
    def test_the_table_fits_the_terminal_and_every_caution_stands_apart(self, book, capsys, monkeypatch, columns):
        monkeypatch.setenv("COLUMNS", str(columns))
        code, out, _ = self.run(capsys, "plover-67", "--book", str(book.root))
        assert code == 0
        table = [line for line in out.splitlines() if line[:1] in "┏┃┡│└├"]
        assert table
        assert max(len(line) for line in table) <= columns
        flat = " ".join(out.split())
        for task in book.plan("plover-67").tasks:
            for caution in task.cautions:
                assert " ".join(caution.split()) in flat

    def test_a_wrong_file_is_told_and_left_alone(self, book, capsys):
        path = book.root / "chargers" / "albatross-200" / "plan.toml"
        book.write_plan("albatross-200", made(book, "albatross-200", "short"))
        wrong = path.read_text().replace('port = "C1"', 'port = "C7"', 1)
        path.write_text(wrong)
        code, _, err = self.run(capsys, "albatross-200", "--book", str(book.root))
        assert code == 1
        assert "chargers/albatross-200/plan.toml: line " in err
        assert 'Did you mean "C1"?' in err or "The ports are" in err
        assert path.read_text() == wrong

    def test_an_unknown_charger_and_a_wrong_size(self, book, capsys):
        assert self.run(capsys, "no-such", "--book", str(book.root))[0] == 1
        assert self.run(capsys, "wren-35", "--size", "huge", "--book", str(book.root))[0] == 2
