"""Several testers on one model: whose voices count, what is alike, who stands apart."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import pytest
from scipy import stats

from brickbook.analysis import Analysis, save
from brickbook.book import Book
from brickbook.cli import run
from brickbook.core.errors import ReadError
from brickbook.core.instrument import Accuracy, Instrument
from brickbook.core.table import RawFile, Rows
from brickbook.library.agreement import cautious_p, expanded_u
from brickbook.library.testers import Account, agree, join_accounts
from brickbook.library.testers_page import agreement_sections, figure_section, read_with
from brickbook.library.testers_sources import account_of_book, account_of_pack
from brickbook.publish.pack import Pack, write_pack

METER = "wall-meter: mains_power_w 1.5"


def account(tester, *figures, serial="", meter="", model="An invented 65", maker="A maker") -> Account:
    lines = (Accuracy("mains_power_w", 0.1, 0.2, 1.5),)
    return Account(
        tester=tester,
        place=f"{tester}'s",
        maker=maker,
        model=model,
        name=model,
        serial=serial or f"of {tester}",
        obtained="",
        figures=figures,
        instruments={"wall-meter": Instrument("ac-power-meter", lines, serial=meter or f"meter of {tester}")},
    )


@pytest.fixture
def standby(made):
    def one(value, own=0.0002, bound=0.002, **conditions):
        at = {"mains_v": 230.0, "mains_hz": 50.0, "situation": "bare"} | conditions
        return made.figure("standby", "no_load_power_w", value, own, {METER: bound}, **at)

    return one


# The probability of a difference


def test_with_bounds_alone_it_is_the_normal_one():
    # two-sided normal tail at 1.96 (any table): 0.05
    assert cautious_p(1.959964 * 5.0, [(3.0, math.inf), (4.0, math.inf)]) == pytest.approx(0.05, abs=1e-6)
    assert expanded_u([(3.0, math.inf), (4.0, math.inf)]) == pytest.approx(1.959964 * 5.0)


def test_with_scatter_alone_it_is_students():
    # t(0.975; 4) = 2.776, the table of ISO 3534-1 and of the GUM, G.2
    assert expanded_u([(1.0, 4.0)]) == pytest.approx(2.776, abs=5e-4)
    assert cautious_p(3.0, [(1.0, 4.0)]) == pytest.approx(2 * stats.t.sf(3.0, 4), rel=1e-9)


def test_parts_add_by_their_squares():
    assert expanded_u([(1.0, 4.0), (1.0, math.inf)]) == pytest.approx(math.hypot(2.776445, 1.959964), rel=1e-6)
    p = cautious_p(4.0, [(1.0, 4.0), (1.0, math.inf)])
    assert expanded_u([(1.0, 4.0), (1.0, math.inf)], p) == pytest.approx(4.0)


def test_a_probability_has_ends_and_needs_an_uncertainty():
    assert cautious_p(0.0, [(1.0, 4.0)]) == 1.0
    assert cautious_p(1e9, [(1.0, math.inf)]) == 1e-15 == cautious_p(1e30, [(1.0, 2.0)])
    with pytest.raises(ValueError, match="uncertainty"):
        cautious_p(1.0, [(0.0, 4.0)])


# Whose voices


def test_the_tester_who_differs_stands_apart_and_no_other(standby):
    values = {"Ann": 0.0300, "Ben": 0.0310, "Cy": 0.0290, "Dee": 0.0800}
    found = agree([account(name, standby(value)) for name, value in values.items()])
    (figure,) = found.figures
    assert [found.accounts[v.accounts[0]].tester for v in figure.apart] == ["Dee"]
    assert found.tests == 4
    # ISO 13528 9.6 by hand: the others' mean has u/sqrt(3), and their values explain themselves
    u = math.hypot(0.0002, 0.002)
    assert figure.voices[3].zeta == pytest.approx(0.05 / (u * (4 / 3) ** 0.5), rel=1e-9)
    assert figure.without is not None
    assert figure.without.value == pytest.approx(0.030)
    assert figure.without.u == pytest.approx(u / 3**0.5)


def test_one_far_off_does_not_make_another_stand_apart(standby):
    # Ben knows best and is right; Ann's wide statement covers both him and Dee, who is far off
    found = agree([account("Ann", standby(0.031, bound=0.010)), account("Ben", standby(0.030, bound=0.0004)),
                   account("Dee", standby(0.050, bound=0.0004)), account("Cy", standby(0.0302, bound=0.0005))])  # fmt: skip
    (figure,) = found.figures
    assert [found.accounts[v.accounts[0]].tester for v in figure.apart] == ["Dee"]


def test_where_leaving_out_either_of_two_settles_it_neither_is_blamed(standby):
    # Ann's wide statement covers both, so that either may be right
    found = agree([account("Ann", standby(0.031, bound=0.010)), account("Ben", standby(0.030, bound=0.0004)),
                   account("Dee", standby(0.050, bound=0.0004))])  # fmt: skip
    (figure,) = found.figures
    assert figure.apart == ()
    assert [found.accounts[v.accounts[0]].tester for v in figure.torn] == ["Ben", "Dee"]


def test_of_two_who_differ_nobody_is_blamed(standby):
    found = agree([account("Ann", standby(0.030)), account("Dee", standby(0.080))])
    assert found.tests == 1
    assert any("not who stands apart" in note for note in found.notes)
    said = " ".join(block.text for block in agreement_sections(found)[0].blocks if hasattr(block, "text"))
    assert "in 1 figure testers differ, and which of them stands apart cannot be told" in said
    assert found.figures[0].apart == ()


def test_two_samples_of_one_tester_are_one_voice(standby):
    one, two = account("Ann", standby(0.030), serial="1"), account("ann", standby(0.032), serial="2")
    (figure,) = agree([one, two, account("Ben", standby(0.031))]).figures
    ann = figure.voices[0]
    assert ann.accounts == (0, 1)
    assert ann.value == pytest.approx(0.031)
    # the meter's error goes through the mean whole, scatter averages
    assert ann.stated_u == pytest.approx(0.002)
    assert ann.scatter_u == pytest.approx(0.0002 / 2**0.5)


def test_a_borrowed_meter_makes_one_voice_where_it_was_used(standby, made):
    def length(value):
        return made.figure("identity", "mass_g", value, 0.1, unit="g")

    accounts = [
        account("Ann", standby(0.030), length(100.0), meter="No. 7"),
        account("Ben", standby(0.031), length(100.1), meter="no 7"),
        account("Cy", standby(0.030), length(100.0)),
    ]
    found = agree(accounts)
    by_name = {figure.name: figure for figure in found.figures}
    assert [v.accounts for v in by_name["no_load_power_w"].voices] == [(0, 1), (2,)]
    assert len(by_name["mass_g"].voices) == 3
    assert any("Ann and Ben used the same instrument" in note for note in found.notes)


def test_the_same_raw_files_count_once(standby):
    raw = (Rows(RawFile("a.csv", "ab" * 32), 1, 9, ()),)
    accounts = [account(name, replace(standby(0.03), sources=raw)) for name in ("Ann", "Ben")]
    found = agree([*accounts, account("Cy", standby(0.03))])
    assert found.testers == ("Ann", "Cy")
    assert "1 raw files in common" in found.notes[0]


# Like with like


def test_what_was_taken_otherwise_is_told_with_the_reason(standby):
    found = agree([account("Ann", standby(0.03)), account("Ben", standby(0.04, mains_v=115.0, mains_hz=60.0))])
    assert found.figures == ()
    assert {(one.tester, one.count) for one in found.unlike} == {("Ann", 1), ("Ben", 1)}
    assert "mains 230 V against mains 115 V" in found.unlike[0].why


def test_loads_set_by_hand_meet_within_a_hundredth(made):
    def volts(load_a):
        return made.figure("regulation", "output_voltage_v", 5.0, 0.001, {METER: 0.002}, unit="V", load_a=load_a)

    found = agree([account("Ann", volts(2.249), volts(0.5)), account("Ben", volts(2.251), volts(0.56))])
    (figure,) = found.figures
    assert figure.conditions.number("load_a") == 2.249
    assert {(one.tester, one.why) for one in found.unlike} == {("Ann", "another load"), ("Ben", "another load")}


def test_prices_are_no_measurement(made):
    price = made.figure("value", "price_per_watt", 0.5, 0.0, unit="EUR/W")
    cost = made.figure("standby", "annual_cost", 0.5, 0.01, unit="EUR")
    found = agree([account(name, price, cost) for name in ("Ann", "Ben")])
    assert found.figures == ()
    assert found.exact == 4


def test_models_are_told_apart_and_names_written_otherwise_are_one(standby):
    accounts = [
        account("Ann", standby(0.03), model="PB-65"),
        account("Ben", standby(0.03), model="pb 65"),
        account("Cy", standby(0.03), model="PB-67"),
    ]
    (found,) = join_accounts(accounts)
    assert found.testers == ("Ann", "Ben")
    with pytest.raises(ValueError, match="one model"):
        agree(accounts)


# Shown


def test_how_it_was_read_is_told(standby):
    ann = account("Ann", standby(0.03))
    assert read_with(ann, ann.figures[0]) == "wall-meter mains_power_w ±(0.1 % of reading + 0.2 % of 1.5)"


def test_one_figure_as_a_section(standby):
    found = agree([account(name, standby(value)) for name, value in (("Ann", 0.03), ("Ben", 0.031), ("Cy", 0.08))])
    section = figure_section(found, found.figures[0])
    table = next(block for block in section.blocks if hasattr(block, "rows"))
    assert [row[0] for row in table.rows] == [
        "Ann", "Ben", "Cy", "Consensus", "Consensus without who stands apart", "Robust mean",
    ]  # fmt: skip
    assert table.rows[2][4] == "stands apart"


# Books and packs


def put(book: Book, made, standby_w: float) -> None:
    charger = made.charger("alder")
    book.new_charger("alder", charger)
    save(book, "alder", Analysis(charger, made.figures_of(standby_w, 0.9), (), (), (), ()))


@pytest.fixture
def books(tmp_path, made):
    out = []
    for k, (name, watts) in enumerate((("Ann", 0.030), ("Ben", 0.031), ("Cy", 0.08))):
        meter = Instrument("ac-power-meter", (Accuracy("mains_power_w", 0.1, 0.1, 300.0),), serial=f"s{k}")
        book = Book.create(tmp_path / name, title=name, publisher=name, instruments={"wall-meter": meter})
        put(book, made, watts)
        out.append(book)
    return out


def test_a_summary_pack_says_the_same_as_its_book(books, tmp_path):
    path = tmp_path / "ann.zip"
    write_pack(books[0], "alder", tier="summary", target=path)
    of_book = account_of_book(books[0], "alder")
    with Pack(path) as pack:
        of_pack = account_of_pack(pack.read, pack.name)
    assert of_pack.figures == of_book.figures
    assert (of_pack.tester, of_pack.maker, of_pack.model, of_pack.obtained) == (
        "Ann", of_book.maker, "alder", "2026-10-01",
    )  # fmt: skip


def test_an_uncertainty_without_a_budget_counts_as_stated(standby):
    bare = replace(standby(0.03), budget=())
    (figure,) = agree([account("Ann", bare), account("Ben", standby(0.03))]).figures
    assert figure.voices[0].u == pytest.approx(bare.u)
    assert figure.voices[0].stated_u == pytest.approx(bare.u)


@pytest.mark.parametrize(("part", "wrong"), [("sign", "1"), ("dof", -3), ("u", -1.0)])
def test_a_pack_with_a_budget_that_is_none_is_refused(books, tmp_path, part, wrong):
    path = tmp_path / "ann.zip"
    write_pack(books[0], "alder", tier="summary", target=path)
    with Pack(path) as pack:
        files = {name: pack.read(name) for name in pack.files}
    data = json.loads(files["data/result.json"])
    data["figures"][0]["budget"][0][part] = wrong
    files["data/result.json"] = json.dumps(data).encode()
    with pytest.raises(ReadError, match=r"ann\.zip"):
        account_of_pack(files.__getitem__, "ann.zip")


@pytest.mark.parametrize("number", ["NaN", "Infinity", '"much"', "null"])
def test_a_pack_with_a_number_that_is_none_is_refused(books, tmp_path, number):
    path = tmp_path / "ann.zip"
    write_pack(books[0], "alder", tier="summary", target=path)
    with Pack(path) as pack:
        files = {name: pack.read(name) for name in pack.files}
    data = json.loads(files["data/result.json"])
    text = json.dumps(data).replace(str(data["figures"][0]["value"]), number)
    with pytest.raises(ReadError, match=r"ann\.zip"):
        account_of_pack(lambda name: text.encode() if name == "data/result.json" else files[name], "ann.zip")


def test_the_verb_joins_books_and_packs(books, tmp_path, capsys):
    pack = tmp_path / "cy.zip"
    write_pack(books[2], "alder", tier="summary", target=pack)
    assert run(["agree", str(books[0].root), str(books[1].root), str(pack), "--json"]) == 0
    (model,) = json.loads(capsys.readouterr().out)["models"]
    assert [one["tester"] for one in model["testers"]] == ["Ann", "Ben", "Cy"]
    power = [f for f in model["figures"] if f["figure"] == "standby/no_load_power_w"]
    assert len(power) == 2
    for figure in power:
        assert [voice["apart"] for voice in figure["voices"]] == [False, False, True]
        assert len(figure["pairs"]) == 3
    page = tmp_path / "page.html"
    assert run(["agree", str(pack), "--book", str(books[0].root), "--figure", "mass", "--html", str(page)]) == 1
    assert "no figure of this name" in capsys.readouterr().err
    assert run(["agree", str(pack), "--book", str(books[0].root), "--html", str(page)]) == 0
    assert "2 testers" in capsys.readouterr().out
    assert "<svg" in page.read_text()


def test_nothing_in_common_is_said(books, made, tmp_path, capsys):
    assert run(["agree", str(books[0].root), str(books[1].root), "--model", "other"]) == 1
    assert "no charger model is in two of these places" in capsys.readouterr().err
    assert run(["agree"]) == 1
    assert "at least one book or pack" in capsys.readouterr().err
