"""A small book, written by hand so that the tests do not lean on the templates."""

import hashlib
from pathlib import Path

import pytest

from brickbook.book import Book

BOOK = """\
# our book
title = "Chargers on my bench"
publisher = "A. Tester"
energy_price_per_kwh = 0.3

[[mains]]
voltage_v = 230
frequency_hz = 50
market = "EU"
"""

BENCH = """\
[instruments.wall-meter]
role = "ac-power-meter"
due = "2027-01-15"
accuracy = [
  { quantity = "mains_power_w", percent_reading = 0.1, percent_range = 0.1, range_max = 150.0 },
]

[limits]
volts = 265
"""

SHAPES = """\
[[shape]]
id = "m1f3a9"
delimiter = ","
headers = ["t", "P"]
columns = [{ header = "P", column = "mains_power_w", unit = "W" }]
time = { kind = "elapsed", headers = ["t"] }
"""

CHARGER = """\
# what the label says
name = "Example 65"
maker = "Example Works"
model = "EX-65"

[nameplate]
total_power_w = 65   # both ports together

[sample]
obtained = "bought"
date = 2026-10-03

[[ports]]
id = "C1"
connector = "usb-c"
outputs = [
  { kind = "fixed", voltage_v = 5, current_a = 3 },
  { kind = "pps", min_voltage_v = 3.3, max_voltage_v = 11, current_a = 3 },
]

[[ports]]
id = "A1"
connector = "usb-a"
outputs = [{ kind = "legacy", voltage_v = 5, current_a = 2.4 }]

[price]
amount = 39.9 # with tax
currency = "EUR"
date = "2026-10-03"
"""

RAW = b"t,P\r\n0,12.5\r\n1,12.6\r\n"

INDEX = f"""\
# taken in one go
[[file]]
path = "eff-115.csv"
sha256 = "{hashlib.sha256(RAW).hexdigest()}"
studies = ["efficiency", "regulation"]
reader = "meter-log"
shape = "m1f3a9"
taken = "2026-10-03T10:22:00"
conditions = {{ mains_v = 115, port = "C1", contract = "20 V" }}
instruments = {{ mains_power_w = "wall-meter" }}
"""

SLUG = "example-65w"


@pytest.fixture
def root(tmp_path) -> Path:
    """Folder of a book without a fault: one charger, one raw file."""
    folder = tmp_path / "book"
    raw = folder / "chargers" / SLUG / "raw"
    raw.mkdir(parents=True)
    for path, text in (
        (folder / "book.toml", BOOK),
        (folder / "bench.toml", BENCH),
        (folder / "shapes.toml", SHAPES),
        (folder / "house-rules.toml", "# none\n"),
        (raw.parent / "charger.toml", CHARGER),
        (raw / "index.toml", INDEX),
    ):
        path.write_bytes(text.encode())
    (raw / "eff-115.csv").write_bytes(RAW)
    return folder


@pytest.fixture
def book(root) -> Book:
    """The same, open."""
    return Book.open(root)
