"""Decode a million logged messages, against an obvious plain-Python decoder, in one run.

Both sides do the same work on the same bytes and must agree before a ratio is printed:

- words: power data objects to kind, voltages, current, power, peak current code and reserved bits,
  once as a tuple for each, once as a dictionary with the flags by name;
- log: a CSV log to times, ports, header fields, objects, decoded objects and GoodCRC pairing.

Usage: python benchmarks/usbpd_log.py [--messages N] [--seed N]
"""

import argparse
import csv
import io
import math
import platform
import time

import numpy as np

from brickbook.usbpd.arrays import PDO_KINDS, decode_headers, decode_source_pdos
from brickbook.usbpd.contracts import read_contracts
from brickbook.usbpd.delivery import match_good_crc
from brickbook.usbpd.logs import parse_message_log

# Objects of two sets found in public captures, so the mix of kinds is a real one.
SETS = (
    (0x0801912C, 0x0002D12C, 0x0004B12C, 0x000640E1, 0xC8DC2164, 0xC940213C, 0xC9A4212D),
    (0x0A91912C, 0x0012D12C, 0x0013C12C, 0x0014B12C, 0x001641F4, 0xC9A43264),
)


def make_log(messages, seed):
    rng = np.random.default_rng(seed)
    lines = ["time_s,port,sop,header,objects"]
    now = 0.0
    ids = [0, 0]
    for _ in range(messages // 2):
        now += 0.003 + 0.1 * float(rng.random())
        port = int(rng.integers(4))
        objects = SETS[int(rng.integers(2))]
        header = 0x01A1 | len(objects) << 12 | ids[0] << 9
        words = " ".join(f"0x{word:08X}" for word in objects)
        lines.append(f"{now:.6f},C{port},SOP,0x{header:04X},{words}")
        good_crc = 0x0081 | ids[0] << 9
        lines.append(f"{now + 0.0017:.6f},C{port},SOP,0x{good_crc:04X},")
        ids[0] = (ids[0] + 1) % 8
    return ("\n".join(lines) + "\n").encode()


def plain_pdo(word):
    peak = 0
    kind = word >> 30
    if kind == 0:
        volts = (word >> 10 & 0x3FF) * 50 / 1000
        amps = (word & 0x3FF) * 10 / 1000
        peak = word >> 20 & 3
        return ("fixed", volts, volts, amps, volts * amps, peak, word & 0x0040_0000)
    high = (word >> 20 & 0x3FF) * 50 / 1000
    low = (word >> 10 & 0x3FF) * 50 / 1000
    if kind == 1:
        return ("battery", low, high, None, (word & 0x3FF) * 250 / 1000, peak, 0)
    if kind == 2:
        amps = (word & 0x3FF) * 10 / 1000
        return ("variable", low, high, amps, high * amps, peak, 0)
    sub = word >> 28 & 3
    if sub == 0:
        high = (word >> 17 & 0xFF) * 100 / 1000
        low = (word >> 8 & 0xFF) * 100 / 1000
        amps = (word & 0x7F) * 50 / 1000
        return ("pps", low, high, amps, high * amps, peak, word & 0x0601_0080)
    if sub == 1:
        high = (word >> 17 & 0x1FF) * 100 / 1000
        low = (word >> 8 & 0xFF) * 100 / 1000
        return ("epr_avs", low, high, None, float(word & 0xFF), word >> 26 & 3, word & 0x1_0000)
    if sub == 2:
        middle = (word >> 10 & 0x3FF) * 10 / 1000
        upper = (word & 0x3FF) * 10 / 1000
        high = 20.0 if upper else 15.0
        power = max(middle * 15, upper * 20)
        top = max(middle, upper)
        return ("spr_avs", 9.0, high, top, power, word >> 26 & 3, word & 0x03F0_0000)
    return ("reserved", None, None, None, None, peak, word & 0x0FFF_FFFF)


FLAG_BITS = {
    "dual_role_power": 29,
    "usb_suspend_supported": 28,
    "unconstrained_power": 27,
    "usb_communications_capable": 26,
    "dual_role_data": 25,
    "unchunked_extended_messages_supported": 24,
    "epr_capable": 23,
}


def plain_dicts(words):
    rows = []
    for word in words:
        kind, low, high, amps, watts, peak, reserved = plain_pdo(word)
        flags = {}
        if kind == "fixed":
            flags = {name: bool(word >> bit & 1) for name, bit in FLAG_BITS.items()}
        elif kind == "pps":
            flags = {"power_limited": bool(word >> 27 & 1)}
        rows.append(
            {
                "raw": word,
                "kind": kind,
                "min_v": low,
                "max_v": high,
                "max_a": amps,
                "max_w": watts,
                "peak_current": peak,
                "reserved_bits": reserved,
                "flags": flags,
            }
        )
    return rows


def our_columns(words):
    decoded = decode_source_pdos(words)
    return decoded, {name: decoded.flag(name) for name in (*FLAG_BITS, "power_limited")}


def plain_messages(headers, words):
    """Every field of every message by name: what a reader of a log wants to know."""
    messages = []
    at = 0
    for header in headers:
        count = header >> 12 & 7
        messages.append(
            {
                "extended": bool(header >> 15),
                "object_count": count,
                "message_id": header >> 9 & 7,
                "sender_bit": bool(header >> 8 & 1),
                "spec_revision": header >> 6 & 3,
                "data_role_dfp": bool(header >> 5 & 1),
                "type": header & 31,
                "objects": plain_dicts(words[at : at + count]),
            }
        )
        at += count
    return messages


def our_messages(headers, words):
    return decode_headers(headers), *our_columns(words)


def plain_words(words):
    return [plain_pdo(word) for word in words]


def plain_log(data):
    rows = []
    for row in csv.DictReader(io.StringIO(data.decode())):
        header = int(row["header"], 16)
        objects = [int(word, 16) for word in row["objects"].split()]
        fields = (
            header >> 15,
            header >> 12 & 7,
            header >> 9 & 7,
            header >> 8 & 1,
            header >> 6 & 3,
            header >> 5 & 1,
            header & 31,
        )
        is_good_crc = header & 0xF01F == 1
        decoded = [plain_pdo(word) for word in objects]
        rows.append([float(row["time_s"]), row["port"], fields, decoded, is_good_crc, False])
    last = {}
    for row in rows:
        before = last.get(row[1])
        if row[4] and before is not None and not before[4] and before[2][2] == row[2][2]:
            before[5] = True
        last[row[1]] = row
    return rows


def our_log(data):
    log = parse_message_log(data, name="benchmark")
    return log, decode_headers(log.header), decode_source_pdos(log.all_objects), match_good_crc(log)


def timed(function, *given, repeats):
    """Shortest wall time and shortest processor time (all threads) of some runs, and the result."""
    wall, processor, result = math.inf, math.inf, None
    for _ in range(repeats):
        start, start_processor = time.perf_counter(), time.process_time()
        result = function(*given)
        processor = min(processor, time.process_time() - start_processor)
        wall = min(wall, time.perf_counter() - start)
    return (wall, processor), result


def check_same(plain, ours):
    kinds = [str(PDO_KINDS[code]) for code in ours.kind.tolist()]
    assert kinds == [row[0] for row in plain]
    columns = (ours.min_voltage_v, ours.max_voltage_v, ours.max_current_a, ours.max_power_w)
    for number, column in enumerate(columns, start=1):
        told = np.array([math.nan if row[number] is None else row[number] for row in plain])
        assert np.allclose(column, told, rtol=1e-12, atol=1e-12, equal_nan=True)
    assert ours.peak_current.tolist() == [row[5] for row in plain]
    assert ours.reserved_bits.tolist() == [row[6] for row in plain]


def report(name, count, plain, ours):
    print(
        f"{name:<44} plain {plain[0]:7.3f} s   ours {ours[0]:7.4f} s ({ours[0] / count * 1e9:6.1f} ns each)"
        f"   ratio {plain[0] / ours[0]:6.1f}   by processor time {plain[1] / ours[1]:6.1f}"
    )


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--messages", type=int, default=1_000_000)
    parser.add_argument("--seed", type=int, default=20261125)
    settings = parser.parse_args()
    print(f"Python {platform.python_version()}, NumPy {np.__version__}, {platform.machine()}")

    data = make_log(settings.messages, settings.seed)
    objects = parse_message_log(data, name="benchmark").all_objects
    captured = objects[: settings.messages]
    mixed = np.random.default_rng(settings.seed).integers(0, 1 << 32, settings.messages, dtype=np.uint32)
    for name, words in (("words, as in captures", captured), ("words, random bits", mixed)):
        our_s, ours = timed(decode_source_pdos, words, repeats=7)
        plain_s, plain = timed(plain_words, words.tolist(), repeats=2)
        check_same(plain, ours)
        report(f"{name} ({words.size})", words.size, plain_s, our_s)
        del plain
    our_s, (_, flags) = timed(our_columns, captured, repeats=7)
    plain_s, plain = timed(plain_dicts, captured.tolist(), repeats=2)
    for name, column in flags.items():
        assert column.tolist() == [row["flags"].get(name, False) for row in plain]
    report(f"words with flags, as dictionaries ({captured.size})", captured.size, plain_s, our_s)
    del plain

    parsed = parse_message_log(data, name="benchmark")
    our_s, (heads, pdos, flags) = timed(our_messages, parsed.header, parsed.all_objects, repeats=7)
    plain_s, plain = timed(plain_messages, parsed.header.tolist(), parsed.all_objects.tolist(), repeats=1)
    assert heads.message_id.tolist() == [message["message_id"] for message in plain]
    assert pdos.max_voltage_v.tolist() == [o["max_v"] for message in plain for o in message["objects"]]
    for name, column in flags.items():
        assert column.tolist() == [o["flags"].get(name, False) for message in plain for o in message["objects"]]
    report(f"logged messages, every field by name ({len(plain)})", len(plain), plain_s, our_s)
    del plain

    our_s, (log, headers, pdos, delivery) = timed(our_log, data, repeats=5)
    plain_s, rows = timed(plain_log, data, repeats=1)
    assert len(rows) == len(log)
    assert [row[2][2] for row in rows] == headers.message_id.tolist()
    assert [row[5] for row in rows] == delivery.delivered.tolist()
    check_same([pdo for row in rows for pdo in row[3]], pdos)
    report(f"CSV log, messages ({len(log)})", len(log), plain_s, our_s)
    for name, step in (
        ("  read", lambda: parse_message_log(data, name="benchmark")),
        ("  headers", lambda: decode_headers(log.header)),
        ("  objects", lambda: decode_source_pdos(log.all_objects)),
        ("  GoodCRC pairing", lambda: match_good_crc(log)),
        (
            f"state machine, one port ({int(np.count_nonzero(log.port == 0))})",
            lambda: read_contracts(log, log.ports[0]),
        ),
    ):
        wall, processor = timed(step, repeats=3)[0]
        print(f"{name:<44} {wall:.4f} s, processor {processor:.4f} s")


if __name__ == "__main__":
    main()
