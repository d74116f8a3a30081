"""Books with one thing wrong each, and the exact words in which it is told."""

import pytest

from brickbook.book import Book
from brickbook.core.errors import BookError

CHARGER = "chargers/example-65w/charger.toml"
INDEX = "chargers/example-65w/raw/index.toml"
RAW = "chargers/example-65w/raw/eff-115.csv"

# name; file; what is replaced in it, and by what; all messages in their order
CASES = [
    (
        "toml syntax",
        CHARGER,
        b'name = "Example 65"',
        b'name = "Example 65',
        [
            "chargers/example-65w/charger.toml: line 2, column 19: is not valid TOML: illegal character '\\n'. Correct the line, or the one before it."
        ],
    ),
    (
        "toml syntax key",
        "book.toml",
        b'publisher = "A. Tester"',
        b'publisher "A. Tester"',
        [
            "book.toml: line 3, column 11: is not valid TOML: expected '=' after a key in a key/value pair. Correct the line, or the one before it."
        ],
    ),
    (
        "toml ends early",
        "bench.toml",
        b"volts = 265\n",
        b"volts =",
        ["bench.toml: line 9: is not valid TOML: invalid value. Correct the line, or the one before it."],
    ),
    (
        "toml key twice",
        CHARGER,
        b'model = "EX-65"',
        b'model = "EX-65"\nmodel = "EX-66"',
        [
            "chargers/example-65w/charger.toml: line 5, column 16: is not valid TOML: cannot overwrite a value. Correct the line, or the one before it."
        ],
    ),
    (
        "not utf-8",
        CHARGER,
        b"Example Works",
        b"Caf\xe9",
        [
            "chargers/example-65w/charger.toml: line 3: is not UTF-8 text: byte 0xe9 is not valid there. Save the file as UTF-8."
        ],
    ),
    (
        "missing key",
        CHARGER,
        b'maker = "Example Works"\n',
        b"",
        ["chargers/example-65w/charger.toml: maker: is missing; expected text in quotes, not empty. Add the key."],
    ),
    (
        "missing nested",
        CHARGER,
        b'{ kind = "fixed", voltage_v = 5, current_a = 3 }',
        b'{ kind = "fixed", voltage_v = 5 }',
        [
            "chargers/example-65w/charger.toml: line 17, ports[0].outputs[0].current_a: is missing; expected a number above 0. Add the key."
        ],
    ),
    (
        "missing table",
        CHARGER,
        b"[nameplate]\ntotal_power_w = 65   # both ports together\n",
        b"",
        ["chargers/example-65w/charger.toml: nameplate: is missing; expected a table. Add the key."],
    ),
    (
        "missing table lines",
        CHARGER,
        b'[[ports]]\nid = "A1"',
        b'[[ports]]\nlabel = "A1"',
        [
            "chargers/example-65w/charger.toml: line 21, ports[1].id: is missing; expected text in quotes, not empty. Add the key."
        ],
    ),
    (
        "unknown near",
        CHARGER,
        b"current_a = 2.4",
        b"curent_a = 2.4",
        [
            'chargers/example-65w/charger.toml: line 24, ports[1].outputs[0].curent_a: is not a known key. Did you mean "current_a"?'
        ],
    ),
    (
        "unknown far",
        CHARGER,
        b"[sample]\n",
        b'[sample]\ncolour = "white"\n',
        [
            "chargers/example-65w/charger.toml: line 10, sample.colour: is not a known key. Known keys: obtained, date, serial, note."
        ],
    ),
    (
        "unknown top",
        "book.toml",
        b"publisher =",
        b"publsher =",
        ['book.toml: line 3, publsher: is not a known key. Did you mean "publisher"?'],
    ),
    (
        "number in quotes",
        CHARGER,
        b"total_power_w = 65 ",
        b'total_power_w = "65" ',
        [
            'chargers/example-65w/charger.toml: line 7, nameplate.total_power_w: expected a number above 0, found the text "65". Write the number without quotes.'
        ],
    ),
    (
        "number with unit",
        CHARGER,
        b"total_power_w = 65 ",
        b'total_power_w = "65 W" ',
        [
            'chargers/example-65w/charger.toml: line 7, nameplate.total_power_w: expected a number above 0, found the text "65 W". Correct the value.'
        ],
    ),
    (
        "number negative",
        CHARGER,
        b"amount = 39.9",
        b"amount = -1",
        [
            "chargers/example-65w/charger.toml: line 27, price.amount: expected a number of at least 0, found -1. Correct the value."
        ],
    ),
    (
        "number zero",
        CHARGER,
        b"total_power_w = 65 ",
        b"total_power_w = 0 ",
        [
            "chargers/example-65w/charger.toml: line 7, nameplate.total_power_w: expected a number above 0, found 0. Correct the value."
        ],
    ),
    (
        "number nan",
        CHARGER,
        b"total_power_w = 65 ",
        b"total_power_w = nan ",
        [
            "chargers/example-65w/charger.toml: line 7, nameplate.total_power_w: expected a number above 0, found nan. Write a finite number, or leave the key out when it is not known."
        ],
    ),
    (
        "number inf",
        "bench.toml",
        b"percent_reading = 0.1",
        b"percent_reading = inf",
        [
            "bench.toml: line 5, instruments.wall-meter.accuracy[0].percent_reading: expected a number of at least 0, found inf. Write a finite number, or leave the key out when it is not known."
        ],
    ),
    (
        "number bool",
        CHARGER,
        b"voltage_v = 5, current_a = 3 }",
        b"voltage_v = true, current_a = 3 }",
        [
            "chargers/example-65w/charger.toml: line 17, ports[0].outputs[0].voltage_v: expected a number above 0, found true. Correct the value."
        ],
    ),
    (
        "text number",
        CHARGER,
        b'model = "EX-65"',
        b"model = 65",
        [
            "chargers/example-65w/charger.toml: line 4, model: expected text in quotes, not empty, found 65. Put it in quotes."
        ],
    ),
    (
        "text empty",
        CHARGER,
        b'model = "EX-65"',
        b'model = ""',
        [
            "chargers/example-65w/charger.toml: line 4, model: expected text in quotes, not empty, found empty text. Fill it in."
        ],
    ),
    (
        "choice near",
        CHARGER,
        b'connector = "usb-c"',
        b'connector = "usbc"',
        [
            'chargers/example-65w/charger.toml: line 15, ports[0].connector: expected "usb-c", "usb-a", "captive" or "barrel", found the text "usbc". Did you mean "usb-c"?'
        ],
    ),
    (
        "choice far",
        "bench.toml",
        b'"ac-power-meter"',
        b'"watch"',
        [
            'bench.toml: line 2, instruments.wall-meter.role: expected "ac-source", "ac-power-meter", "dc-load", "dc-meter", "voltmeter", "oscilloscope", "temperature-logger", "pd-sink", "message-recorder", "scale", "calliper", "clock" or "other", found the text "watch". Correct the value.'
        ],
    ),
    (
        "list not",
        CHARGER,
        b'outputs = [{ kind = "legacy", voltage_v = 5, current_a = 2.4 }]',
        b'outputs = { kind = "legacy", voltage_v = 5, current_a = 2.4 }',
        [
            "chargers/example-65w/charger.toml: line 24, ports[1].outputs: expected a list of tables, at least one, found a table. Write its name in double square brackets, or put it in square brackets."
        ],
    ),
    (
        "list empty",
        CHARGER,
        b'outputs = [{ kind = "legacy", voltage_v = 5, current_a = 2.4 }]',
        b"outputs = []",
        [
            "chargers/example-65w/charger.toml: line 24, ports[1].outputs: expected a list of tables, at least one, found an empty list. Fill it in."
        ],
    ),
    (
        "table not",
        CHARGER,
        b'[price]\namount = 39.9 # with tax\ncurrency = "EUR"\ndate = "2026-10-03"\n',
        b'[marks]\nkind = "other"\n',
        [
            "chargers/example-65w/charger.toml: line 26, marks: expected a list of tables, found a table. Write its name in double square brackets, or put it in square brackets."
        ],
    ),
    (
        "table is text",
        CHARGER,
        b"[nameplate]\ntotal_power_w = 65 ",
        b'nameplate = "65 W" ',
        [
            'chargers/example-65w/charger.toml: line 6, nameplate: expected a table, found the text "65 W". Correct the value.'
        ],
    ),
    (
        "output rule",
        CHARGER,
        b'{ kind = "pps", min_voltage_v = 3.3',
        b'{ kind = "pps", min_voltage_v = 13.3',
        [
            "chargers/example-65w/charger.toml: line 18, ports[0].outputs[1]: min_voltage_v 13.3 is above max_voltage_v 11.0. Correct this table."
        ],
    ),
    (
        "output kind",
        CHARGER,
        b'{ kind = "legacy", voltage_v = 5',
        b'{ kind = "legacy", max_voltage_v = 5',
        [
            "chargers/example-65w/charger.toml: line 24, ports[1].outputs[0]: a legacy output has voltage_v and neither min_voltage_v nor max_voltage_v. Correct this table."
        ],
    ),
    (
        "port twice",
        CHARGER,
        b'id = "A1"',
        b'id = "C1"',
        ["chargers/example-65w/charger.toml: port id used twice: C1. Correct the file."],
    ),
    (
        "budget port",
        CHARGER,
        b"[price]",
        b'[[budgets]]\nports = ["C1", "C3"]\npower_w = 65\n\n[price]',
        ["chargers/example-65w/charger.toml: budgets names port 'C3'; the ports are C1, A1. Correct the file."],
    ),
    (
        "date",
        CHARGER,
        b'date = "2026-10-03"',
        b'date = "3.10.2026"',
        [
            'chargers/example-65w/charger.toml: line 29, price.date: expected a date such as "2026-10-03", found the text "3.10.2026". Correct the value.'
        ],
    ),
    (
        "date impossible",
        "bench.toml",
        b"2027-01-15",
        b"2027-02-30",
        [
            'bench.toml: line 3, instruments.wall-meter.due: expected a date such as "2026-10-03", found the text "2027-02-30". Correct the value.'
        ],
    ),
    (
        "condition list",
        CHARGER,
        b"[price]",
        b'[[claims]]\nfigure = "standby/no_load_power_w"\nsense = "max"\nvalue = 0.1\nwords = "low"\nseen_on = "box"\nwhen = { mains_v = [115, 230] }\n\n[price]',
        [
            "chargers/example-65w/charger.toml: line 32, claims[0].when.mains_v: expected text in quotes, a number, true or false, found a list. Correct the value."
        ],
    ),
    (
        "mains none",
        "book.toml",
        b'[[mains]]\nvoltage_v = 230\nfrequency_hz = 50\nmarket = "EU"\n',
        b"mains = []\n",
        ["book.toml: line 6, mains: expected a list of tables, at least one, found an empty list. Fill it in."],
    ),
    (
        "decision",
        "book.toml",
        b"energy_price",
        b'decision = "garded"\nenergy_price',
        [
            'book.toml: line 4, decision: expected "guarded" or "simple", found the text "garded". Did you mean "guarded"?'
        ],
    ),
    (
        "accuracy rule",
        "bench.toml",
        b", range_max = 150.0",
        b"",
        [
            "bench.toml: line 5, instruments.wall-meter.accuracy[0]: percent_range and linearity_percent_range need range_max. Correct this table."
        ],
    ),
    (
        "limits unknown",
        "bench.toml",
        b"volts =",
        b"volt =",
        ['bench.toml: line 9, limits.volt: is not a known key. Did you mean "volts"?'],
    ),
    (
        "shape rule",
        "shapes.toml",
        b'"mains_power_w"',
        b'"mains_power"',
        [
            "shapes.toml: line 5, shape[0].columns[0]: 'mains_power' is not a quantity a column may hold. Correct this table."
        ],
    ),
    (
        "shape twice",
        "shapes.toml",
        b'time = { kind = "elapsed", headers = ["t"] }\n',
        b'time = { kind = "elapsed", headers = ["t"] }\n\n[[shape]]\nid = "m1f3a9"\ndelimiter = ";"\nheaders = ["t"]\ncolumns = []\ntime = { kind = "elapsed", headers = ["t"] }\n',
        ['shapes.toml: line 9, shape[1].id: "m1f3a9" is used twice. Give one of them another id.'],
    ),
    (
        "many at once",
        CHARGER,
        b'model = "EX-65"\n\n[nameplate]\ntotal_power_w = 65 ',
        b'modell = "EX-65"\n\n[nameplate]\ntotal_power_w = -65 ',
        [
            'chargers/example-65w/charger.toml: line 4, modell: is not a known key. Did you mean "model"?',
            "chargers/example-65w/charger.toml: line 7, nameplate.total_power_w: expected a number above 0, found -65. Correct the value.",
        ],
    ),
    (
        "index syntax",
        INDEX,
        b'studies = ["efficiency", "regulation"]',
        b'studies = ["efficiency", "regulation"',
        [
            "chargers/example-65w/raw/index.toml: line 6, column 1: is not valid TOML: unclosed array. Correct the line, or the one before it."
        ],
    ),
    (
        "index key",
        INDEX,
        b"reader =",
        b"readers =",
        ['chargers/example-65w/raw/index.toml: line 6, file[0].readers: is not a known key. Did you mean "reader"?'],
    ),
    (
        "index sha",
        INDEX,
        b'sha256 = "',
        b'sha256 = "x',
        [
            'chargers/example-65w/raw/index.toml: line 4, file[0].sha256: expected a SHA-256, 64 digits 0-9 a-f, found the text "x540a8a1a4d0b263538e22a614371e59277fff689fde91bbae3d4c0b8...". Correct the value.'
        ],
    ),
    (
        "index taken",
        INDEX,
        b"2026-10-03T10:22:00",
        b"3 Oct 2026",
        [
            'chargers/example-65w/raw/index.toml: line 8, file[0].taken: expected a date and time such as "2026-10-03T10:22:00", or a date, found the text "3 Oct 2026". Correct the value.'
        ],
    ),
    (
        "index studies",
        INDEX,
        b'["efficiency", "regulation"]',
        b"[]",
        [
            "chargers/example-65w/raw/index.toml: line 5, file[0].studies: expected a list of texts in quotes, at least one, found an empty list. Fill it in."
        ],
    ),
    (
        "index up",
        INDEX,
        b'"eff-115.csv"',
        b'"../eff-115.csv"',
        [
            'chargers/example-65w/raw/index.toml: line 3, file[0].path: "../eff-115.csv" has ".." in it; it must stay inside raw/. Correct the path.'
        ],
    ),
    (
        "index absolute",
        INDEX,
        b'"eff-115.csv"',
        b'"/tmp/eff-115.csv"',
        [
            'chargers/example-65w/raw/index.toml: line 3, file[0].path: "/tmp/eff-115.csv" is an absolute path; it must be relative to raw/. Correct the path.'
        ],
    ),
    (
        "index drive",
        INDEX,
        b'"eff-115.csv"',
        b'"C:eff-115.csv"',
        [
            'chargers/example-65w/raw/index.toml: line 3, file[0].path: "C:eff-115.csv" is an absolute path; it must be relative to raw/. Correct the path.'
        ],
    ),
    (
        "index backslash",
        INDEX,
        b'"eff-115.csv"',
        b"'a\\eff-115.csv'",
        [
            "chargers/example-65w/raw/index.toml: line 3, file[0].path: \"a\\eff-115.csv\" has the character '\\\\' in it, which not every file system allows. Correct the path."
        ],
    ),
    (
        "index hidden",
        INDEX,
        b'"eff-115.csv"',
        b'".eff-115.csv"',
        [
            "chargers/example-65w/raw/index.toml: line 3, file[0].path: \".eff-115.csv\" has the part '.eff-115.csv', which begins with a dot or a space or ends with one. Correct the path."
        ],
    ),
    (
        "index itself",
        INDEX,
        b'"eff-115.csv"',
        b'"index.toml"',
        [
            'chargers/example-65w/raw/index.toml: line 3, file[0].path: "index.toml" is the name of the index itself. Correct the path.'
        ],
    ),
    (
        "index missing",
        INDEX,
        b'"eff-115.csv"',
        b'"eff-116.csv"',
        [
            "chargers/example-65w/raw/eff-116.csv: is in the index and is missing. Put the file back as it came, or take its entry out of the index.",
            "chargers/example-65w/raw/eff-115.csv: is not in the index, so no study uses it. Import it, or move it out of raw/.",
        ],
    ),
    (
        "index changed",
        RAW,
        b"12.5",
        b"12.4",
        [
            "chargers/example-65w/raw/eff-115.csv: has changed since it was taken in: its SHA-256 is 493539cf3e47..., the index says 540a8a1a4d0b...; it is not used. Put the file back as it came, or import the other one under a new name."
        ],
    ),
    (
        "index shape",
        INDEX,
        b'"m1f3a9"',
        b'"m1f3a8"',
        [
            'chargers/example-65w/raw/index.toml: line 7, file[0].shape: "m1f3a8" is not in shapes.toml. Did you mean "m1f3a9"?'
        ],
    ),
    (
        "index instrument",
        INDEX,
        b'"wall-meter"',
        b'"scale"',
        [
            'chargers/example-65w/raw/index.toml: line 10, file[0].instruments.mains_power_w: "scale" is not in bench.toml. The instruments are: wall-meter.'
        ],
    ),
    (
        "index port",
        INDEX,
        b'port = "C1"',
        b'port = "C2"',
        [
            'chargers/example-65w/raw/index.toml: line 9, file[0].conditions.port: "C2" is not a port of the charger. The ports are: C1, A1.'
        ],
    ),
    (
        "index align",
        INDEX,
        b"reader =",
        b'align = "load-step"\nreader =',
        [
            'chargers/example-65w/raw/index.toml: line 6, file[0].align: expected "stated" or "load-steps", found the text "load-step". Did you mean "load-steps"?'
        ],
    ),
    (
        "index conditions",
        INDEX,
        b"mains_v = 115",
        b"mains_v = [115]",
        [
            "chargers/example-65w/raw/index.toml: line 9, file[0].conditions.mains_v: expected text in quotes, a number, true or false, found a list. Correct the value."
        ],
    ),
    (
        "unknown beside wrong",
        CHARGER,
        b'name = "Example 65"',
        b'name = 65\nnamee = "Example 65"',
        [
            "chargers/example-65w/charger.toml: line 2, name: expected text in quotes, not empty, found 65. Put it in quotes.",
            'chargers/example-65w/charger.toml: line 3, namee: is not a known key. Did you mean "name"?',
        ],
    ),
    (
        "index same file twice",
        INDEX,
        b"# taken in one go\n",
        b'[[file]]\npath = "EFF-115.csv"\nsha256 = "0000000000000000000000000000000000000000000000000000000000000000"\nstudies = ["standby"]\nreader = "meter-log"\n\n',
        [
            'chargers/example-65w/raw/index.toml: line 8, file[1].path: "eff-115.csv" is named a second time; the first entry is "EFF-115.csv". Keep one entry for each file.'
        ],
    ),
    (
        "index same content twice",
        INDEX,
        b"# taken in one go\n",
        b'[[file]]\npath = "other.csv"\nsha256 = "540a8a1a4d0b263538e22a614371e59277fff689fde91bbae3d4c0b881aed4a3"\nstudies = ["standby"]\nreader = "meter-log"\n\n',
        [
            'chargers/example-65w/raw/index.toml: line 9, file[1].sha256: is that of "other.csv" as well: one file under two names would be counted twice. Keep one of the two entries.'
        ],
    ),
]


def faults_of(root):
    try:
        return Book.open(root).check("example-65w")
    except BookError as error:
        return error.faults


@pytest.mark.parametrize(("name", "file", "old", "new", "messages"), CASES, ids=[case[0] for case in CASES])
def test_message(root, name, file, old, new, messages):
    path = root / file
    content = path.read_bytes()
    assert content.count(old) == 1
    path.write_bytes(content.replace(old, new))
    found = faults_of(root)
    assert [str(fault) for fault in found] == messages
    for fault in found:
        assert fault.remedy, "every message says what to do"


def test_the_book_itself_has_no_fault(root):
    assert faults_of(root) == ()
