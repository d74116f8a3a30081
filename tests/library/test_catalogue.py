"""The catalogue: what is in it, that only what changed is read again, and SQL by another program."""

from __future__ import annotations

import json
import shutil

import polars as pl
import pytest

from brickbook.analysis import Analysis, load, save
from brickbook.core.errors import BookError
from brickbook.core.figure import Finding
from brickbook.library.catalogue import open_catalogue, refresh_catalogue, write_entry
from brickbook.library.entries import ENTRY_FILE, entry_bytes, read_entry, split_budget


def test_everything_is_in_it(shelf_book, made):
    """Against the stored results themselves."""
    with open_catalogue([shelf_book]) as found:
        for slug in made.shelf:
            stored = load(shelf_book, slug)
            rows = found.rows("SELECT * FROM figures WHERE charger = ?", [slug])
            assert sorted((r["study"], r["name"], r["value"], r["u"], json.loads(r["conditions"])["mains_v"])
                          for r in rows if "mains_v" in r["conditions"]) == sorted(
                (f.study, f.name, f.value, f.u, f.conditions["mains_v"])
                for f in stored.figures if "mains_v" in f.conditions
            )  # fmt: skip
            assert len(rows) == len(stored.figures)
            assert [r["decision"] for r in found.rows("SELECT * FROM findings WHERE charger = ?", [slug])] == ["meets"]
        facts = found.rows("SELECT * FROM chargers ORDER BY charger")
        assert [(r["charger"], r["title"], r["ports"], r["power_w"], r["price"]) for r in facts] == [
            (slug, f"Charger {slug}", 2, 60.0, 30.0) for slug in sorted(made.shelf)
        ]
        errors = found.rows(
            "SELECT DISTINCT source, e.u FROM errors e JOIN figures USING (book, id) WHERE name = 'no_load_power_w'"
        )
        assert errors == [{"source": "wall-meter: mains_power_w 1.5", "u": pytest.approx(0.002)}]


def test_budget_keeps_its_size(made):
    """own² + sum of shared² is u² again; the sign of a shared error is kept."""
    one = made.figure("s", "n", 1.0, 0.3, {"meter: a": 0.4, "meter: b": -1.2, "meter: a, linearity at x, 3 s": 0.5,
                                       "cable resistance as stated": 0.2})  # fmt: skip
    split = split_budget(one, ("meter",))
    # a recording of another charger may have the same name, and shares nothing with it
    assert split_budget(one, ("other",)).shared == {}
    assert split.shared == {"meter: a": pytest.approx(0.4), "meter: b": pytest.approx(-1.2)}
    assert split.stated_u == pytest.approx((0.5**2 + 0.2**2) ** 0.5)
    assert (split.scatter_u, split.scatter_dof) == (pytest.approx(0.3), 20.0)
    assert split.stated_u**2 + split.scatter_u**2 + sum(u * u for u in split.shared.values()) == pytest.approx(one.u**2)


def test_only_what_changed_is_made_again(shelf_book, made):
    first = refresh_catalogue(shelf_book)
    assert (first.made, first.rebuilt) == (3, True)
    again = refresh_catalogue(shelf_book)
    assert (again.made, again.rebuilt) == (0, False)
    made.put(shelf_book, "birch", (0.5, 0.8))
    third = refresh_catalogue(shelf_book)
    assert (third.made, third.rebuilt) == (1, True)
    with open_catalogue([shelf_book]) as found:
        rows = found.rows("SELECT charger, value FROM figures WHERE name = 'no_load_power_w' ORDER BY ALL")
        assert [(r["charger"], r["value"]) for r in rows[::2]] == [("alder", 0.03), ("birch", 0.5), ("cedar", 0.06)]


def test_what_is_gone_is_gone(shelf_book):
    refresh_catalogue(shelf_book)
    shutil.rmtree(shelf_book.root / "chargers" / "birch")
    done = refresh_catalogue(shelf_book)
    assert (done.made, done.rebuilt, done.chargers) == (0, True, 2)
    with open_catalogue([shelf_book]) as found:
        assert [r["charger"] for r in found.rows("SELECT charger FROM chargers")] == ["alder", "cedar"]
        assert found.rows("SELECT count(*) AS n FROM figures WHERE charger = 'birch'") == [{"n": 0}]


def test_a_charger_without_a_result_is_named(shelf_book):
    (shelf_book.derived("cedar") / "result.json").unlink()
    assert refresh_catalogue(shelf_book).missing == ("cedar",)


@pytest.mark.parametrize("harm", ["cut", "gone", "nonsense"])
def test_a_damaged_catalogue_is_made_again(shelf_book, harm):
    refresh_catalogue(shelf_book)
    folder = shelf_book.derived() / "_catalogue"
    if harm == "cut":
        path = folder / "figures.parquet"
        path.write_bytes(path.read_bytes()[:100])
    elif harm == "gone":
        (folder / "findings.parquet").unlink()
    else:
        (folder / "made.json").write_text("[]")
    assert refresh_catalogue(shelf_book).rebuilt
    with open_catalogue([shelf_book]) as found:
        assert found.rows("SELECT count(*) AS n FROM chargers") == [{"n": 3}]


def test_another_program_can_read_it(shelf_book):
    """Here polars."""
    refresh_catalogue(shelf_book)
    frame = pl.read_parquet(shelf_book.derived() / "_catalogue" / "figures.parquet")
    means = frame.filter(name="no_load_power_w").group_by("charger").agg(pl.col("value").mean()).sort("charger")
    assert means["value"].to_list() == pytest.approx([0.030, 0.0303, 0.060])


def test_several_books(shelf_book, made, tmp_path):
    other = made.make_book(tmp_path / "other", "It's another shelf", {"alder": (0.9, 0.5)})
    with open_catalogue([shelf_book, other]) as found:
        rows = found.rows("SELECT book, count(*) AS n FROM chargers GROUP BY book ORDER BY book")
        assert rows == [{"book": "A shelf", "n": 3}, {"book": "It's another shelf", "n": 1}]
    twin = made.make_book(tmp_path / "twin", "A shelf", {"alder": (0.9, 0.5)})
    with open_catalogue([shelf_book, twin]) as found:
        assert len({r["book"] for r in found.rows("SELECT book FROM chargers")}) == 2


def test_refusals(shelf_book, made, tmp_path):
    with pytest.raises(BookError, match="no catalogue yet"):
        open_catalogue([shelf_book], refresh=False)
    with pytest.raises(BookError, match="named twice"):
        open_catalogue([shelf_book, shelf_book])
    with pytest.raises(ValueError, match="needs a book"):
        open_catalogue([])
    with open_catalogue([shelf_book]) as found, pytest.raises(BookError, match="nothing_like_it"):
        found.rows("SELECT * FROM nothing_like_it")
    book = made.make_book(tmp_path / "new", shelf={})
    book.new_charger("alder")
    with pytest.raises(BookError, match="not been analysed"):
        write_entry(book, "alder")


def test_an_empty_book(made, tmp_path):
    with open_catalogue([made.make_book(tmp_path / "empty", shelf={})]) as found:
        assert found.rows("SELECT * FROM figures") == []
        assert found.rows("SELECT * FROM chargers") == []


def test_entry_is_made_anew_when_the_result_is_newer(shelf_book, made):
    refresh_catalogue(shelf_book)
    entry = shelf_book.derived("alder") / ENTRY_FILE
    before = entry.stat().st_mtime_ns
    made.put(shelf_book, "alder", (0.7, 0.9))
    refresh_catalogue(shelf_book)
    assert entry.stat().st_mtime_ns > before
    assert 0.7 in read_entry(entry.read_bytes()).figures["value"].tolist()


def test_a_damaged_entry_is_named(shelf_book):
    refresh_catalogue(shelf_book)
    entry = shelf_book.derived("alder") / ENTRY_FILE
    entry.write_bytes(entry.read_bytes()[:200])
    with pytest.raises(BookError, match=r"derived/alder/entry.*Delete it"):
        refresh_catalogue(shelf_book)
    entry.write_bytes(b"something else")
    with pytest.raises(BookError, match=r"derived/alder/entry.*as an entry of this version"):
        refresh_catalogue(shelf_book)
    entry.unlink()
    assert refresh_catalogue(shelf_book).chargers == 3


def test_an_entry_goes_there_and_back(shelf_book, made):
    """Words by digest, also those that only a later charger has."""
    made.put(shelf_book, "dogwood", (0.1, 0.7))
    for slug in ("alder", "dogwood"):
        stored = load(shelf_book, slug)
        entry = read_entry(entry_bytes(stored, ("wall-meter",)))
        words = entry.words()
        assert entry.facts[0] == f"Charger {slug}"
        assert [(words[int(r["kind"])][1], words[int(r["at"])], r["value"]) for r in entry.figures] == [
            (f.name, dict(f.conditions), f.value) for f in stored.figures
        ]
        assert len(entry.findings) == len(stored.findings)


def test_each_figure_has_its_own_errors_and_findings(shelf_book, made):
    """Rows are sorted anew in the catalogue: what belongs to a figure must go along."""
    described = made.charger("elm")
    figures = [
        made.figure(
            "study", f"figure_{k % 3}_w", float(k), 0.1 * k, {f"meter-{k}: q": k / 10, "both: q": 1.0}, number=k
        )
        for k in range(1, 10)
    ]
    findings = [
        Finding(f.key, f"rule {f.value:g}", "", "house", f.value, "max", "meets", f.value / 10, "")
        for f in figures[::2]
    ]
    shelf_book.new_charger("elm", described)
    save(shelf_book, "elm", Analysis(described, tuple(figures), tuple(findings), (), (), ()))
    with open_catalogue([shelf_book]) as found:
        rows = found.rows(
            "SELECT f.value, e.source, e.u FROM figures f JOIN errors e USING (book, id) WHERE charger = 'elm'"
        )
        # errors are kept in single precision
        assert sorted((r["value"], r["source"], round(r["u"], 6)) for r in rows) == sorted(
            pair for k in range(1, 10) for pair in ((k, f"meter-{k}: q", k / 10), (k, "both: q", 1.0))
        )
        judged = found.rows(
            "SELECT f.value, d.* FROM figures f JOIN findings d USING (book, id) WHERE f.charger = 'elm'"
        )
        assert sorted((r["value"], r["rule"], r["limit"], r["p_conform"]) for r in judged) == [
            (k, f"rule {k}", k, k / 10) for k in range(1, 10, 2)
        ]
