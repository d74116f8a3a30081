"""What changed since it was published: the record on disk, and the corrections it tells of."""

import dataclasses
import json

import pytest

from brickbook.book import Book, Publication, add_publication, published_state, read_publications
from brickbook.core.conditions import Conditions
from brickbook.core.errors import BookError
from brickbook.publish.corrections import changes_by_publication, corrections, needs_reason, next_publication
from brickbook.publish.numbers import figure_text

FIRST, SECOND, THIRD = "2026-11-25T11:02:03Z", "2026-12-01T09:00:00Z", "2027-01-02T08:00:00Z"


@pytest.fixture
def book(tmp_path, tern):
    made = Book.create(tmp_path / "book", title="A book", publisher="A. Tester")
    made.new_charger("tern", tern.charger)
    return made


def publish(book, figures, findings, at, verdict="", why=""):
    due = next_publication(read_publications(book, "tern"), figures, findings, verdict, at, why)
    if due is not None:
        add_publication(book, "tern", due)
    return due


def test_the_first_publication_records_everything_and_corrects_nothing(book, tern):
    due = publish(book, tern.figures, tern.findings, FIRST)
    assert set(due.figures) == {f.key for f in tern.figures}
    (read,) = read_publications(book, "tern")
    assert read == due
    judged = [d for f in read.figures.values() for d in f.judged.values()]
    assert sorted(judged) == sorted(f.decision for f in tern.findings)
    assert corrections([read], tern.words) == ()


def test_published_again_unchanged_adds_nothing(book, tern):
    publish(book, tern.figures, tern.findings, FIRST)
    path = book.root / "chargers/tern/published.jsonl"
    before = path.read_bytes()
    assert publish(book, tern.figures, tern.findings, SECOND) is None
    assert path.read_bytes() == before


def test_a_change_below_what_is_printed_is_none_and_one_above_is(book, tern):
    publish(book, tern.figures, tern.findings, FIRST)
    old = tern.figures[0]
    unseen = dataclasses.replace(old, value=old.value + old.u * 1e-6)
    assert figure_text(unseen) == figure_text(old)
    assert publish(book, (unseen, *tern.figures[1:]), tern.findings, SECOND) is None
    seen = dataclasses.replace(
        old, value=old.value + 3 * old.u, lower=old.lower + 3 * old.u, upper=old.upper + 3 * old.u
    )
    publish(book, (seen, *tern.figures[1:]), tern.findings, THIRD, why="The meter's\n range was  wrong.")
    (change,) = corrections(read_publications(book, "tern"), tern.words)
    assert (change.date, change.figure_key, change.kind) == ("2027-01-02", old.key, "figure")
    assert (change.old, change.new) == (figure_text(old), figure_text(seen))
    assert change.why == "The meter's range was wrong."
    assert needs_reason(change)


def test_decisions_that_change_figures_that_go_and_figures_that_come(book, tern):
    first, second, *rest = tern.findings
    publish(book, tern.figures, tern.findings, FIRST)
    judged = {f.figure for f in tern.findings}
    gone = next(f for f in tern.figures if f.key not in judged)
    new = dataclasses.replace(gone, name="something_else_w", unit="W")
    other = next(d for d in ("meets", "undecided") if d != first.decision)
    figures = (*(f for f in tern.figures if f is not gone), new)
    publish(book, figures, (dataclasses.replace(first, decision=other), second, *rest), SECOND, why="Read again.")
    found = {(c.kind, c.figure_key): c for c in corrections(read_publications(book, "tern"), tern.words)}
    assert len(found) == 3
    decision = found["decision", first.figure]
    assert (decision.old, decision.new) == (first.decision, other)
    assert first.title in decision.words
    assert (found["figure", gone.key].old, found["figure", gone.key].new) == (figure_text(gone), "")
    assert found["figure", new.key].is_addition
    assert not needs_reason(found["figure", new.key])
    assert published_state(read_publications(book, "tern")).keys() == {f.key for f in figures}


def test_the_tester_s_conclusion_is_recorded_and_newest_stands_first(book, tern):
    publish(book, tern.figures, tern.findings, FIRST, "Good.")
    publish(book, tern.figures, tern.findings, SECOND, "Not good.")
    publish(book, tern.figures[1:], tern.findings, THIRD, "Not good.", why="One was a mistake.")
    found = corrections(read_publications(book, "tern"), tern.words)
    assert [(c.date, c.kind) for c in found] == [("2027-01-02", "figure"), ("2026-12-01", "conclusion")]
    assert not needs_reason(found[1])
    assert [len(part) for part in changes_by_publication(read_publications(book, "tern"), {})] == [0, 1, 1]


def test_key_figures_stand_first(tern):
    state = Publication(FIRST, dict(next_publication((), tern.figures, tern.findings, "", FIRST).figures))
    moved = [
        dataclasses.replace(f, value=f.value * 1.5, lower=f.lower * 1.5, upper=f.upper * 1.5) for f in tern.figures
    ]
    due = next_publication((state,), moved, tern.findings, "", SECOND, "All of it.")
    keys = tern.key_figures
    found = corrections((state, due), tern.words, keys)
    assert [c.key_figure for c in found] == sorted((c.key_figure for c in found), reverse=True)
    assert {c.figure_key for c in found if c.key_figure} == set(keys)


def test_a_figure_whose_measured_condition_comes_out_otherwise_is_the_same_figure(tern):
    def at(power_w, value=0.1, harmonic=3):
        conditions = Conditions.of({"mains_v": 230.0, "harmonic": harmonic, "input_w": power_w})
        return dataclasses.replace(
            tern.figures[0], name="input_harmonic_a", unit="A", conditions=conditions, value=value, u=0.001,
            lower=value - 0.002, upper=value + 0.002,
        )  # fmt: skip

    def changes(before, after):
        first = next_publication((), before, (), "", FIRST)
        second = next_publication((first,), after, (), "", SECOND)
        return corrections((first, second), {})

    assert changes([at(108.827), at(54.1)], [at(108.9), at(54.2)]) == ()
    (moved,) = changes([at(108.827), at(54.1)], [at(108.9, 0.2), at(54.1)])
    assert (moved.old[:6], moved.new[:6], moved.figure_key) == ("(0.100", "(0.200", at(108.9).key)
    # another load, another harmonic, or two that fit: figures that went and came
    for after in ([at(112.0)], [at(108.9, harmonic=5)], [at(108.9), at(108.7)]):
        found = changes([at(108.827)], after)
        assert [c for c in found if not c.new and c.old]
        assert len(found) == 1 + len(after)


def test_what_was_written_cannot_be_changed_unseen(book, tern):
    publish(book, tern.figures, tern.findings, FIRST)
    publish(book, tern.figures[1:], tern.findings, SECOND, why="One was a mistake.")
    path = book.root / "chargers/tern/published.jsonl"
    lines = path.read_text("utf-8").splitlines(keepends=True)
    whole = "".join(lines)
    path.write_text(whole.replace("\n", "\r\n"), "utf-8", newline="")  # version control on another system
    assert len(read_publications(book, "tern")) == 2
    figure = json.loads(lines[1])
    lines[1] = json.dumps(figure | {"value": figure["value"] + 1}) + "\n"
    path.write_text("".join(lines), "utf-8")
    with pytest.raises(BookError, match=r"published\.jsonl: line \d+: the lines before this one have been changed"):
        read_publications(book, "tern")


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("nonsense\n", "line 1: is not JSON"),
        ("[]\n", "line 1: expected a JSON object"),
        ('{"at": "x"}\n', "line 1: expected the first line of a publication"),
        ('{"at":"x","why":"","conclusion":"","figures":2,"before":""}\n', "line 1: says that 2 lines follow"),
        (
            '{"at":"x","why":"","conclusion":"","figures":1,"before":""}\n{"figure":"a/b{}","value":"n"}\n',
            "line 2: expected a figure",
        ),
        (
            '{"at":"x","why":"","conclusion":"","figures":1,"before":""}\n{"figure":"a","value":1e999,"half":0,"unit":""}\n',
            "line 2: expected finite numbers",
        ),
    ],
)
def test_a_broken_record_is_told_by_its_line_and_nothing_is_added(book, tern, text, told):
    path = book.root / "chargers/tern/published.jsonl"
    path.write_text(text, "utf-8")
    with pytest.raises(BookError, match=told):
        read_publications(book, "tern")
    with pytest.raises(BookError, match=told):
        add_publication(book, "tern", Publication(FIRST, {}))
    assert path.read_text("utf-8") == text


def test_an_unknown_charger_is_told(book):
    with pytest.raises(BookError, match='there is no charger "term"'):
        read_publications(book, "term")
