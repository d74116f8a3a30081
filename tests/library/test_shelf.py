"""A figure over the shelf, and `brickbook compare`."""

from __future__ import annotations

import json
import re

import pytest

from brickbook.commands.compare import compare
from brickbook.core.errors import BookError
from brickbook.library.catalogue import open_catalogue
from brickbook.library.comparing import compare_items
from brickbook.library.retest import compare_samples
from brickbook.library.shelf import better_end, gather_shelf


def test_one_meter_read_all(shelf_book):
    """Standby of 30.0 and 30.3 mW, each ± 2 mW by the meter and 0.2 mW by scatter: the meter's part cancels, the
    scatter's root sum square of 0.28 mW does not let 0.3 mW be told, and 30 mW apart are."""
    with open_catalogue([shelf_book]) as catalogue:
        shelf = gather_shelf(catalogue, "no_load_power_w", {"mains_v": 230})
    assert [e.charger for e in shelf.entries] == ["alder", "birch", "cedar"]
    assert shelf.conditions["mains_v"] == 230
    assert [g.why_not for g in shelf.groups] == [
        "", "mains frequency 50 Hz against mains frequency 60 Hz; mains 230 V against mains 115 V"
    ]  # fmt: skip
    found = compare_items(shelf.items)
    d = found.difference(1, 0)
    assert d.u == pytest.approx(0.0002 * 2**0.5)
    assert not d.different
    assert found.difference(2, 0).different
    assert (found.rank_low.tolist(), found.rank_high.tolist()) == ([1, 1, 3], [2, 2, 3])


def test_headline_says_which_port(shelf_book):
    """Both ports were measured alike; the study's headline takes the one with the larger nameplate."""
    with open_catalogue([shelf_book]) as catalogue:
        shelf = gather_shelf(catalogue, "efficiency/average_active_efficiency_ratio")
        assert {e.figure.conditions["ports"] for e in shelf.entries} == {"C1"}
        assert {e.others for e in shelf.entries} == {1}
        assert shelf.conditions["mains_v"] == 115  # as in the headline
        second = gather_shelf(catalogue, "average_active_efficiency_ratio", {"ports": "C2"})
        assert [e.figure.value for e in second.entries] == pytest.approx([0.89, 0.91, 0.90])


def test_meters_of_two_books_are_two_meters(shelf_book, made, tmp_path):
    other = made.make_book(tmp_path / "other", "Another", {"alder": (0.030, 0.9)})
    with open_catalogue([shelf_book, other]) as catalogue:
        shelf = gather_shelf(catalogue, "no_load_power_w", {"mains_v": 230})
    labels = list(shelf.items.labels)
    found = compare_items(shelf.items)
    apart = found.difference(labels.index("alder (A shelf)"), labels.index("alder (Another)"))
    assert apart.u == pytest.approx((2 * 0.002**2 + 2 * 0.0002**2) ** 0.5, rel=1e-3)


def test_refusals(shelf_book, made, tmp_path):
    with open_catalogue([shelf_book]) as catalogue:
        with pytest.raises(BookError, match="Did you mean no_load_power_w"):
            gather_shelf(catalogue, "no_load_power")
        with pytest.raises(BookError, match=r"mains_v=100.*There are: .*115 V"):
            gather_shelf(catalogue, "no_load_power_w", {"mains_v": 100})
        with pytest.raises(BookError, match="port=C9"):
            gather_shelf(catalogue, "average_active_efficiency_ratio", {"port": "C9"})
    empty = made.make_book(tmp_path / "empty", shelf={})
    with open_catalogue([empty]) as catalogue, pytest.raises(BookError, match="no charger has been analysed"):
        gather_shelf(catalogue, "no_load_power_w")


def test_ends():
    assert better_end("average_active_efficiency_ratio") == "largest"
    assert better_end("no_load_power_w") == "smallest"
    assert better_end("output_voltage_v") == ""


# The verb


def told(capsys, *args, **given):
    assert compare(*args, json=True, **given) == 0
    return json.loads(capsys.readouterr().out)


def test_json(shelf_book, capsys):
    found = told(capsys, "no_load_power_w", set_=["mains_v=230"], book=shelf_book.root)
    assert [(c["charger"], c["place"]) for c in found["chargers"]] == [
        ("alder", [1, 2]), ("birch", [1, 2]), ("cedar", [3, 3])
    ]  # fmt: skip
    assert found["better"] == "smallest"
    assert {(d["first"], d["second"]): d["different"] for d in found["differences"]} == {
        ("birch", "alder"): False, ("cedar", "alder"): True, ("cedar", "birch"): True
    }  # fmt: skip
    assert found["not_comparable"][0]["why"].startswith("mains frequency 50 Hz against")


def test_the_good_end_comes_first(shelf_book, capsys):
    found = told(capsys, "average_active_efficiency_ratio", book=shelf_book.root)
    assert [(c["charger"], c["place"]) for c in found["chargers"]] == [
        ("birch", [1, 1]), ("cedar", [2, 2]), ("alder", [3, 3])
    ]  # fmt: skip


def test_against_one(shelf_book, capsys):
    found = told(capsys, "no_load_power_w", against="cedar", book=shelf_book.root)
    assert [(d["first"], d["second"], d["different"]) for d in found["differences"]] == [
        ("alder", "cedar", True), ("birch", "cedar", True)
    ]  # fmt: skip
    with pytest.raises(BookError, match="There are: alder, birch, cedar"):
        compare("no_load_power_w", against="dogwood", book=shelf_book.root)


def test_front(shelf_book, capsys):
    """birch: best efficiency and size, worst price; alder: best price; cedar is beaten in size and price by alder but
    more efficient."""
    given = {"with_": ["body_volume_cm3", "price_per_watt"], "book": shelf_book.root}
    found = told(capsys, "average_active_efficiency_ratio", **given)["front"]
    assert {c["title"]: c["standing"] for c in found} == {
        "Charger alder": "on the front", "Charger birch": "on the front", "Charger cedar": "on the front"
    }  # fmt: skip
    found = told(capsys, "body_volume_cm3", with_=["price_per_watt"], book=shelf_book.root)["front"]
    assert {c["title"]: (c["standing"], c["beaten_by"]) for c in found} == {
        "Charger alder": ("on the front", None),
        "Charger birch": ("on the front", None),
        "Charger cedar": ("beaten", "Charger alder"),
    }
    with pytest.raises(BookError, match="more or less of identity/side_mm"):
        compare("body_volume_cm3", with_=["side_mm"], book=shelf_book.root)


def test_repeatability(shelf_book, capsys):
    found = told(capsys, "no_load_power_w", repeat_u=0.02, book=shelf_book.root)
    assert not any(d["different"] for d in found["differences"])
    with pytest.raises(BookError, match="at least 0"):
        compare("no_load_power_w", repeat_u=-1.0, book=shelf_book.root)


def test_for_people_and_as_a_page(shelf_book, capsys, tmp_path):
    page = tmp_path / "page.html"
    compare("no_load_power_w", with_=["price_per_watt"], html=page, book=shelf_book.root)
    said = capsys.readouterr().out
    assert "the probability of one false difference anywhere is at most 5 %" in said
    assert "1 to 2" in said
    text = page.read_text(encoding="utf-8")
    for words in ("Charger cedar", "Holm", "not comparable", "<svg", "Nothing here says that a charger is safe"):
        assert words in text
    assert "<script" not in text
    assert not re.search(r'(src|href)="https?:', text)
    assert set(re.findall(r'href="#([^"]+)"', text)) <= set(re.findall(r'id="([^"]+)"', text))  # no link into nothing


def test_names_in_a_page_are_shown_and_not_obeyed(shelf_book, made, tmp_path, capsys):
    made.put(shelf_book, "alder", (0.03, 0.9))
    (shelf_book.derived("alder") / "result.json").write_text(
        (shelf_book.derived("alder") / "result.json").read_text().replace("Charger alder", "<b>&bold"), encoding="utf-8"
    )
    compare("no_load_power_w", html=tmp_path / "page.html", book=shelf_book.root)
    text = (tmp_path / "page.html").read_text(encoding="utf-8")
    assert "<b>" not in text
    assert "&lt;b&gt;&amp;bold" in text


# Two samples


def test_samples(made, shelf_book, capsys):
    """The same model: the standby power moved by 15 %, the efficiency by less than its uncertainty."""
    made.put(shelf_book, "alder-b", (0.0345, 0.9001), model="alder")
    found = told(capsys, sample=["alder", "alder-b"], book=shelf_book.root)
    different = {d["figure"].partition("{")[0] for d in found["differences"] if d["different"]}
    assert different == {"standby/no_load_power_w"}
    compare(sample=["alder", "alder-b"], book=shelf_book.root)
    assert "two samples alone do not tell whether the maker has changed" in " ".join(capsys.readouterr().out.split())
    with pytest.raises(BookError, match="two models"):
        compare(sample=["alder", "birch"], book=shelf_book.root)
    with pytest.raises(BookError, match="two different"):
        compare(sample=["alder"], book=shelf_book.root)


def test_samples_on_two_benches_share_no_meter(made):
    one, other = made.figures_of(0.030, 0.9), made.figures_of(0.0345, 0.9)
    shared = compare_samples(one, other, instruments=("wall-meter",))
    assert len(shared.different) == 2  # at 115 and at 230 V
    apart = compare_samples(one, other)
    assert apart.different == ()
    assert apart.changes[0].difference.u == pytest.approx((2 * 0.002**2 + 2 * 0.0002**2) ** 0.5, rel=1e-3)
    assert len(compare_samples(one, other[1:]).only_first) == 1
    assert compare_samples((), ()).changes == ()
