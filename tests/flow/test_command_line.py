"""The verbs as other programs and people use them."""

from __future__ import annotations

import shutil

import pytest

WORDS = {
    # computed from the layout of USB PD R3.x: fixed 5 V 3 A with dual-role power and unconstrained power
    "0x2801912C": {"kind": "fixed", "min_v": 5.0, "max_v": 5.0, "max_a": 3.0, "max_w": 15.0},
    "0x0002D12C": {"kind": "fixed", "min_v": 9.0, "max_v": 9.0, "max_a": 3.0, "max_w": 27.0},
}


def test_usbpd_keeps_its_contract(bb):
    result = bb("usbpd", *WORDS, "--json")
    assert result.code == 0
    words = result.json()["words"]
    for word, (raw, expected) in zip(words, WORDS.items(), strict=True):
        assert word["raw"] == raw
        assert {k: word[k] for k in expected} == expected
        assert set(word) >= {"raw", "kind", "min_v", "max_v", "max_a", "max_w", "flags"}


def test_usbpd_reads_standard_input(bb):
    assert [w["raw"] for w in bb("usbpd", "--json", stdin="0x2801912C\n0002D12C\n").json()["words"]] == list(WORDS)


def test_usbpd_refuses_what_is_no_word(bb):
    result = bb("usbpd", "0x2801912C", "zebra")
    assert result.code == 1
    assert "zebra" in result.err
    assert result.out == ""


def test_limits_keep_their_contract(bb):
    """10 CFR 430.32(w): 88.0 % above 49 W."""
    result = bb("limits", "--output-w", "65", "--output-v", "20", "--json")
    assert result.code == 0
    found = [
        row
        for row in result.json()["limits"]
        if (row["rule"], row["quantity"]) == ("us-10cfr430-level-vi", "average_active_efficiency")
    ]
    assert {(row["limit"], row["sense"]) for row in found} == {(0.88, "min")}
    assert all("430.32(w)" in row["source"] for row in found)


def test_limits_for_people(bb):
    result = bb("limits", "--output-w", "10", "--output-v", "5", "--output-a", "2")
    assert result.code == 0
    assert "0.78704" in result.out  # 0.0834 ln 10 - 0.0014 x 10 + 0.609, low-voltage


@pytest.mark.parametrize(
    "arguments",
    [["nonsense"], ["limits", "--output-w", "65"], ["limits", "--output-w", "a", "--output-v", "5"], ["show"]],
)
def test_wrong_usage_is_two(bb, arguments):
    assert bb(*arguments).code == 2


def test_show_keeps_its_contract(bb, published_book):
    result = bb("show", "wren-35", "--json", "--book", published_book)
    assert result.code == 0
    data = result.json()
    assert data["charger"]["name"] == "Quillmere Wren 35"
    assert len(data["figures"]) > 200
    for figure in data["figures"]:
        assert {"study", "name", "value", "unit", "u", "conditions", "method", "sources"} <= set(figure)
    keys = {f["key"] for f in data["figures"]}
    assert len(keys) == len(data["figures"])
    for finding in data["findings"]:
        assert {"figure", "rule", "limit", "sense", "decision", "p_conform", "source"} <= set(finding)
        assert finding["figure"] in keys
        assert finding["decision"] in ("meets", "does not meet", "undecided", "not judged")


def test_show_one_study_and_why(bb, published_book):
    only = bb("show", "wren-35", "--study", "standby", "--json", "--book", published_book).json()
    assert {f["study"] for f in only["figures"]} == {"standby"}
    key = next(f["key"] for f in only["figures"] if f["name"] == "no_load_power_w")
    why = bb("show", "wren-35", "--why", key, "--book", published_book)
    assert why.code == 0
    assert "standby-bare-115v.csv, lines" in why.out
    assert "SHA-256" in why.out
    assert "wall-meter: mains_power_w 1.5" in why.out


def test_show_for_people(bb, published_book):
    result = bb("show", "wren-35", "--book", published_book)
    assert result.code == 0
    assert "Average active efficiency" in result.out
    assert "meets" in result.out


def test_unknown_charger_and_study(bb, published_book):
    result = bb("show", "heron", "--book", published_book)
    assert (result.code, result.err) == (
        1,
        "error: chargers/heron: there is no such charger. The book has: wren-35.\n",
    )
    result = bb("show", "wren-35", "--study", "warmth", "--book", published_book)
    assert result.code == 1
    assert result.err.startswith("error: --study: warmth: is not a study. The studies are identity, efficiency")


def test_no_book_here(bb, tmp_path):
    result = bb("analyse", "--book", tmp_path)
    assert result.code == 1
    assert "not a book" in result.err or "no book" in result.err


def test_new_book_new_charger_import(bb, tmp_path, made_book):
    """A tester's first hour: book, instruments, charger, file, figures."""
    root = tmp_path / "mine"
    assert bb("new", "book", root, "--publisher", "A tester").code == 0
    assert bb("new", "charger", "first-35", "--name", "First 35", "--book", root).code == 0
    empty = bb("analyse", "--book", root)
    assert empty.code == 1
    assert "chargers/first-35/charger.toml: line" in empty.err
    shutil.copy(made_book / "bench.toml", root)
    shutil.copy(made_book / "chargers/wren-35/charger.toml", root / "chargers/first-35/charger.toml")
    log = made_book / "chargers/wren-35/raw/eff-c1-20v-230v.csv"
    given = ["--study", "efficiency", "--set", "mains_v=230", "--set", "mains_hz=50", "--set", "contract=20 V"]
    given += ["--set", "ports=C1", "--set", "measured_at=receptacle", "--book", root]
    asked = bb("import", "first-35", log, *given)
    assert asked.code == 1
    assert "Nobody is there to confirm the columns" in asked.out
    assert not (root / "chargers/first-35/raw/eff-c1-20v-230v.csv").exists()
    taken = bb("import", "first-35", log, *given, "--yes")
    assert taken.code == 0, taken.err
    assert (root / "chargers/first-35/raw/eff-c1-20v-230v.csv").read_bytes() == log.read_bytes()
    again = bb("import", "first-35", log, *given, "--yes")
    assert again.code == 1
    assert "eff-c1-20v-230v.csv" in again.err
    assert bb("analyse", "--book", root).code == 0
    figures = bb("show", "first-35", "--json", "--book", root).json()["figures"]
    average = [f for f in figures if f["name"] == "average_active_efficiency_ratio"]
    assert len(average) == 2
    assert {f["flags"][0] for f in average if f["flags"]} == {
        "measured at the receptacle; Appendix Z 4(g) asks for the load end of a cable"
    }


def test_import_refuses_a_file_it_cannot_read(bb, book, tmp_path):
    junk = tmp_path / "junk.csv"
    junk.write_bytes(b"\x00\x01\x02" * 100)
    before = sorted(p.name for p in (book / "chargers/wren-35/raw").iterdir())
    result = bb("import", "wren-35", junk, "--study", "standby", "--yes", "--book", book)
    assert result.code == 1
    assert str(junk) in result.err
    assert sorted(p.name for p in (book / "chargers/wren-35/raw").iterdir()) == before


def test_import_names_wrong_words(bb, book, tmp_path):
    log = tmp_path / "log.csv"
    log.write_text("t,P\n0,1\n1,1\n")
    result = bb("import", "wren-35", log, "--study", "warmth", "--reader", "tea-leaves", "--book", book)
    assert result.code == 1
    assert result.err.splitlines()[0].startswith("error: --study: warmth: is not a study.")
    assert result.err.splitlines()[1].startswith("error: --reader: tea-leaves: is not a reader.")
    result = bb("import", "wren-35", log, "--study", "standby", "--set", "230", "--book", book)
    assert result.err == "error: --set: 230: is not written key=value. For example --set mains_v=230\n"


def test_a_column_can_be_corrected(bb, book, tmp_path):
    log = tmp_path / "odd.csv"
    rows = "\n".join(f"{k},0.05,{20 + k % 2}" for k in range(40))
    log.write_text(f"t,Gadget,Case\n{rows}\n")
    given = ["--study", "standby", "--set", "mains_v=230", "--yes", "--book", book]
    wrong = bb("import", "wren-35", log, *given, "--column", "Gadgets=mains_power_w")
    assert wrong.code == 1
    assert "does not begin with a header of the file. They are 't', 'Gadget', 'Case'." in wrong.err
    bad = bb("import", "wren-35", log, *given, "--column", "Gadget=mains_pauer_w")
    assert bad.code == 1
    assert "'mains_pauer_w' is not a quantity a column may hold" in bad.err
    right = bb("import", "wren-35", log, *given, "--column", "Gadget=mains_power_w[W]")
    assert right.code == 0, right.err
    assert "as you said" in right.out


def test_progress_in_a_pipe_is_plain_lines(bb, book):
    result = bb("analyse", "--force", "--book", book)
    assert result.err == "analysing 1/1: wren-35\n"


def test_cable_keeps_its_contract(bb):
    """Ohm's law: 5 A through 0.12 Ohm leaves 19.4 V of 20 V; a 60 W sink draws I with 20 I - 0.12 I^2 = 60."""
    steady = bb("cable", "--source-v", "20", "--current-a", "5", "--resistance-ohm", "0.12", "--json").json()
    assert set(steady) == {"far_end_v", "far_end_w", "loss_w", "feasible"}
    assert steady["far_end_v"] == pytest.approx(19.4)
    assert steady["far_end_w"] == pytest.approx(97.0)
    assert steady["loss_w"] == pytest.approx(3.0)
    assert steady["feasible"] is True
    given = ["--source-v", "20", "--current-a", "5", "--resistance-ohm", "0.12", "--power-w", "60", "--json"]
    power = bb("cable", *given).json()
    current = (20 - (20**2 - 4 * 0.12 * 60) ** 0.5) / (2 * 0.12)
    assert power["far_end_w"] == pytest.approx(60.0)
    assert power["loss_w"] == pytest.approx(0.12 * current**2)
    assert power["feasible"] is True
    limited = bb(
        "cable", "--source-v", "5", "--current-a", "3", "--resistance-ohm", "0.25", "--power-w", "15", "--json"
    )
    assert limited.json()["feasible"] is False


def test_cautions_stand_before_their_steps(bb, published_book):
    shown = bb("show", "wren-35", "--procedure", "--study", "efficiency", "--book", published_book)
    assert shown.code == 0
    assert shown.out.index("CAUTION  Mains voltage kills.") < shown.out.index("1. Set the mains supply")
