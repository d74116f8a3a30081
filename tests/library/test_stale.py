"""A comparison or a choice that rests on results that are out of date says so."""

from __future__ import annotations

import json
import os

from brickbook.commands.choose import choose
from brickbook.commands.compare import compare
from brickbook.library.stale import stale_among, stale_words


def later(path):
    """Seen to be newer than the result, whatever the clock's grain."""
    stamp = path.stat().st_mtime_ns + 5_000_000_000
    os.utime(path, ns=(stamp, stamp))


def test_what_has_changed_is_named(shelf_book, tmp_path, capsys):
    book = shelf_book
    assert stale_among(book, book.chargers()) == ()
    described = book.root / "chargers" / "birch" / "charger.toml"
    later(described)  # only touched: nothing in it has changed
    assert stale_among(book, book.chargers()) == ()
    described.write_text(described.read_text(encoding="utf-8") + "\n# a word more\n", encoding="utf-8")
    later(described)
    result = book.derived("cedar") / "result.json"
    made = json.loads(result.read_text(encoding="utf-8"))
    result.write_text(json.dumps(made | {"code": "0" * 64}), encoding="utf-8")  # by another program
    assert stale_among(book, book.chargers()) == ("birch", "cedar")
    assert stale_among(book, ("alder", "nobody")) == ()

    compare("no_load_power_w", json=True, book=book.root)
    assert set(json.loads(capsys.readouterr().out)["stale"]) == {"birch", "cedar"}
    compare("no_load_power_w", book=book.root)
    assert "Run: brickbook analyse" in capsys.readouterr().out
    devices = tmp_path / "devices.toml"
    devices.write_text('[[device]]\nname = "phone"\npower_w = 20\nmost_voltage_v = 9.5\n', encoding="utf-8")
    choose(devices, book=book.root)
    said = " ".join(capsys.readouterr().out.split())
    assert "Out of date" in said
    assert "birch" in said.partition("Out of date")[2]


def test_words():
    assert stale_words(()) == ""
    assert "a, b. Run" in stale_words(("a", "b"))
    assert "and 3 more" in stale_words(tuple("abcdefghijk"))
