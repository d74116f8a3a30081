"""Ten thousand chargers of two hundred figures: building the catalogue, keeping it, and comparing.

    python benchmarks/catalogue.py FOLDER [chargers] [figures]

FOLDER is for the scratch book (some hundred megabytes; removed at the end unless --keep is given). Each charger gets an
entry as the program makes it, from a result whose values differ from charger to charger. For the plain way results are
written as result.json too, for some of the chargers, and read one by one; its time is scaled to all of them, which is
said. Every timing is of processor time and of wall time: on a machine that does other work only the former says much.
"""

from __future__ import annotations

import argparse
import json
import platform
import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import polars as pl

from brickbook.analysis import Analysis, Stored, load, save
from brickbook.analysis.codec import charger_json
from brickbook.book import Book
from brickbook.core.charger import Charger, Nameplate, Output, Port, Price, Sample
from brickbook.core.conditions import Conditions
from brickbook.core.figure import Figure, Finding
from brickbook.core.readings import figure_of
from brickbook.core.table import RawFile, Rows
from brickbook.core.uncertainty import Measured, Source
from brickbook.library.catalogue import FOLDER, open_catalogue, refresh_catalogue
from brickbook.library.comparing import compare_items
from brickbook.library.entries import ENTRY_FILE, FIGURE, entry_bytes
from brickbook.library.shelf import gather_shelf

SAMPLE = 100  # chargers written as result.json too
OWN = 500  # chargers of the second book, in which each was loaded a little differently
SEED = 20261125


def charger(name: str) -> Charger:
    outputs = tuple(Output("fixed", 3.0, voltage_v=volts) for volts in (5.0, 9.0, 15.0, 20.0))
    ports = tuple(Port(f"C{k}", "usb-c", outputs) for k in (1, 2))
    return Charger(
        name,
        "An invented maker",
        name,
        Nameplate(65.0),
        ports,
        Sample("bought"),
        price=Price(39.0, "EUR", "2026-11-25"),
    )


def figures(count: int) -> tuple[Figure, ...]:
    """Figures in the mix of a bench campaign: sweeps of efficiency and voltage, standby, averages."""
    out: list[Figure] = []
    raw = RawFile("eff-c1-20v-115v.csv", "0123456789abcdef" * 4)

    def add(study: str, name: str, unit: str, value: float, **conditions: Any) -> None:
        sources = {
            Source("wall-meter: mains_power_w 300"): 0.002 * value,
            Source("load-bank: port_current_a 6"): 0.001 * value,
            Source("load-bank: port_voltage_v 60"): 0.0005 * value,
            Source(f"wall-meter: mains_power_w 300, linearity at {name} {len(out)}, 1918 s"): 0.0002 * value,
            Source(f"load-bank: port_current_a 6, linearity at {name} {len(out)}, 1918 s"): 0.0002 * value,
            Source("fixture resistance as stated", "B", "normal"): 0.0001 * value,
            Source(f"scatter of mains_power_w at {name} {len(out)}, 1918 s", "A", "normal", 40.0): 0.0002 * value,
            Source(f"load-bank: port_voltage_v 60, linearity at {name} {len(out)}, 1918 s"): 0.0001 * value,
            Source(f"scatter of port_current_a at {name} {len(out)}, 1918 s", "A", "normal", 50.0): 0.0001 * value,
            Source(f"scatter of port_voltage_v at {name} {len(out)}, 1918 s", "A", "normal", 60.0): 0.0001 * value,
        }
        out.append(
            figure_of(
                Measured(value, sources),
                study=study,
                name=name,
                unit=unit,
                conditions=Conditions.of(conditions),
                method="mean of the readings at one load, by the procedure and its clause",
                sources=tuple(Rows(raw, 1000 + k, 1120 + k, ("Power (W)",)) for k in range(2)),
            )
        )

    for mains in (115.0, 230.0):
        at = {"mains_v": mains, "mains_hz": 60.0 if mains == 115.0 else 50.0}
        add("standby", "no_load_power_w", "W", 0.05, situation="bare", **at)
        for port in ("C1", "C2"):
            add("efficiency", "average_active_efficiency_ratio", "", 0.9, ports=port, procedure="us-appendix-z",
                voltage_end="highest", nameplate_w=65.0, **at)  # fmt: skip
    k = 0
    while len(out) < count:
        port, volts = ("C1", "C2")[k % 2], (5.0, 9.0, 15.0, 20.0)[k // 2 % 4]
        add("regulation", "output_voltage_v", "V", volts, port=port, output_v=volts, contract=f"{volts:g} V",
            load_a=round(0.1 * (k // 8), 2), mains_v=230.0, mains_hz=50.0, measured_at="receptacle")  # fmt: skip
        k += 1
    return tuple(out[:count])


def timed(function: Callable[[], Any], repeats: int = 1) -> tuple[float, float, Any]:
    """Shortest wall time [s], shortest processor time [s], result."""
    wall, processor, result = [], [], None
    for _ in range(repeats):
        start, begun = time.perf_counter(), time.process_time()
        result = function()
        wall.append(time.perf_counter() - start)
        processor.append(time.process_time() - begun)
    return min(wall), min(processor), result


def make(book: Book, chargers: int, count: int) -> None:
    """Entries of all chargers; for some also results, from which the plain way reads."""
    described, found = charger("x"), figures(count)
    judged = tuple(
        Finding(f.key, f"rule-{k % 5}", "A rule", "standard", f.value, "max", "undecided", 0.5, "a clause")
        for k, f in enumerate(found[:40])
    )
    rng = np.random.default_rng(SEED)
    slugs = [f"c{k:05d}" for k in range(chargers)]
    folder = book.root / "chargers"
    for slug in slugs:
        (folder / slug).mkdir(parents=True)
    for slug in slugs[:SAMPLE]:
        (folder / slug / "charger.toml").write_text("", encoding="utf-8")
        save(book, slug, Analysis(described, found, judged, (), (), ()))
    whole = entry_bytes(load(book, slugs[0]), ("wall-meter", "load-bank"))
    start = whole.index(b"\n", whole.index(b"\n") + 1) + 1
    rows = np.frombuffer(whole, FIGURE, count, start)
    for k, slug in enumerate(slugs):
        target = book.derived() / slug
        target.mkdir(parents=True, exist_ok=True)
        if k >= SAMPLE:
            (target / "result.json").touch()  # older than the entry: it is not read
        own = rows.copy()
        own["value"] *= rng.normal(1.0, 0.03, count)
        (target / ENTRY_FILE).write_bytes(whole[:start] + own.tobytes() + whole[start + own.nbytes :])


def make_own(book: Book, count: int) -> None:
    """Chargers whose loads were set by hand: each has conditions of its own, so that the words of each must be read."""
    described, found = charger("x"), figures(count)
    for k in range(OWN):
        slug = f"c{k:05d}"
        (book.root / "chargers" / slug).mkdir(parents=True)
        own = [
            replace(f, conditions=f.conditions.with_(load_a=f.conditions.number("load_a") + 1e-6 * (k + 1)))
            if "load_a" in f.conditions
            else f
            for f in found
        ]
        stored = Stored(tuple(own), (), (), (), charger_json(described))
        target = book.derived() / slug
        target.mkdir(parents=True, exist_ok=True)
        (target / "result.json").touch()
        (target / ENTRY_FILE).write_bytes(entry_bytes(stored, ("wall-meter", "load-bank")))


def plain(book: Book, slugs: list[str]) -> int:
    """The plain way: one result.json after the other, and what a comparison needs of it."""
    kept = []
    for slug in slugs:
        data = json.loads((book.derived() / slug / "result.json").read_text(encoding="utf-8"))
        kept.append(
            [(slug, f["study"], f["name"], f["value"], f["u"], f["conditions"], f["budget"]) for f in data["figures"]]
        )
    return sum(map(len, kept))


def as_figures(book: Book, slugs: list[str]) -> int:
    """The same by the program's own functions, into figures."""
    return sum(len(load(book, slug).figures) for slug in slugs)


def peak_mb(code: str) -> float:
    """Peak memory of a process that runs some code [MB]."""
    tail = "\nprint(next(w for w in open('/proc/self/status') if w.startswith('VmHWM')).split()[1])"
    done = subprocess.run([sys.executable, "-c", code + tail], capture_output=True, text=True, check=True)
    return int(done.stdout.splitlines()[-1]) / 1024


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("chargers", type=int, nargs="?", default=10_000)
    parser.add_argument("figures", type=int, nargs="?", default=200)
    parser.add_argument("--keep", action="store_true")
    options = parser.parse_args()
    root = options.folder / "catalogue-benchmark"
    if not root.exists():
        book = Book.create(root, title="Benchmark", publisher="Nobody")
        wall, _, _ = timed(lambda: make(book, options.chargers, options.figures))
        print(f"scratch book made in {wall:.0f} s")
    book = Book.open(root)
    shutil.rmtree(book.derived() / FOLDER, ignore_errors=True)
    print(
        f"{options.chargers} chargers x {options.figures} figures; Python {platform.python_version()}, "
        f"polars {pl.__version__}, DuckDB {duckdb.__version__}, {platform.machine()}"
    )
    wall, processor, done = timed(lambda: refresh_catalogue(book))
    print(f"build: {wall:.2f} s wall, {processor:.2f} s processor ({done.chargers} chargers)")
    sizes = {p.name: p.stat().st_size / 1e6 for p in (book.derived() / FOLDER).glob("*.parquet")}
    print("files: " + ", ".join(f"{name} {size:.1f} MB" for name, size in sorted(sizes.items())))
    slugs = [f"c{k:05d}" for k in range(min(SAMPLE, options.chargers))]
    scale = options.chargers / len(slugs)
    for words, way in (("json.loads and picking fields", plain), ("into figures", as_figures)):
        w, p, _ = timed(lambda way=way: way(book, slugs), 3)
        print(
            f"one by one, {words}: {w * scale:.1f} s wall, {p * scale:.1f} s processor "
            f"(from {len(slugs)} chargers): {w * scale / wall:.0f} and {p * scale / processor:.0f} times the build"
        )
    size = sum((book.derived() / slug / "result.json").stat().st_size for slug in slugs) / len(slugs)
    entry = (book.derived() / slugs[0] / ENTRY_FILE).stat().st_size
    print(f"result.json: {size / 1e3:.0f} kB each; an entry: {entry / 1e3:.0f} kB")
    w, p, done = timed(lambda: refresh_catalogue(book), 3)
    print(f"nothing changed: {w:.3f} s wall, {p:.3f} s processor (rebuilt: {done.rebuilt})")
    touched = book.derived() / slugs[0] / ENTRY_FILE
    touched.write_bytes(touched.read_bytes())
    w, p, done = timed(lambda: refresh_catalogue(book))
    print(f"one charger changed: {w:.2f} s wall, {p:.2f} s processor (rebuilt: {done.rebuilt})")
    with open_catalogue([book], refresh=False) as catalogue:
        for name, when in (
            ("no_load_power_w", {"mains_v": 230}),
            ("average_active_efficiency_ratio", {"mains_v": 230}),
            ("output_voltage_v", {"output_v": 20, "load_a": 1.0}),
        ):
            w, p, shelf = timed(lambda name=name, when=when: gather_shelf(catalogue, name, when), 3)
            w2, p2, _ = timed(lambda shelf=shelf: compare_items(shelf.items), 3)
            w3, p3, _ = timed(lambda shelf=shelf: compare_items(shelf.items, against=0), 3)
            print(
                f"{name} of {len(shelf.items)} chargers: gathered {1000 * w:.0f} ms ({1000 * p:.0f} processor), "
                f"all compared {1000 * w2:.0f} ms ({1000 * p2:.0f}), with one {1000 * w3:.0f} ms ({1000 * p3:.0f})"
            )
        sql = (
            "SELECT charger, value FROM figures WHERE name = 'no_load_power_w' AND alike LIKE '%mains_v=230%' "
            "ORDER BY value LIMIT 10"
        )
        w, p, _ = timed(lambda: catalogue.rows(sql), 3)
        print(f"the ten smallest by SQL: {1000 * w:.0f} ms wall, {1000 * p:.0f} ms processor")
    own = Book.create(options.folder / "catalogue-benchmark-own", title="Own loads", publisher="Nobody")
    make_own(own, options.figures)
    w, p, _ = timed(lambda: refresh_catalogue(own))
    scale = options.chargers / OWN
    print(f"loads of their own: {w * scale:.1f} s wall, {p * scale:.1f} s processor (from {OWN} chargers)")
    shutil.rmtree(own.root)
    start = "from brickbook.book import Book; from brickbook.library.catalogue import *; "
    opened = f"b = Book.open({str(root)!r}); "
    base = peak_mb(start)
    query = (
        "from brickbook.library.shelf import gather_shelf; from brickbook.library.comparing import compare_items; "
        "c = open_catalogue([b], refresh=False); "
        "compare_items(gather_shelf(c, 'no_load_power_w', {'mains_v': 230}).items)"
    )
    print(f"memory of a comparison: {peak_mb(start + opened + query):.0f} MB at most, {base:.0f} MB of it the program")
    shutil.rmtree(book.derived() / FOLDER)
    print(f"memory of the build: {peak_mb(start + opened + 'refresh_catalogue(b)'):.0f} MB at most")
    if not options.keep:
        shutil.rmtree(root)


if __name__ == "__main__":
    main()
