"""A small book with an invented charger, and the app over it as a process of its own, as a tester starts it."""

from __future__ import annotations

import contextlib
import http.client
import json
import math
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import dataclass, field
from importlib.resources import files
from pathlib import Path

import pytest

from brickbook.analysis import analyse_charger, save
from brickbook.book import Book
from brickbook.core.charger import Charger, Claim, Nameplate, Output, Port, Price, Sample
from brickbook.library.catalogue import write_entry

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


def described(name="Larkfield Tern 30", **more) -> Charger:
    outputs = tuple(
        Output(kind="fixed", voltage_v=v, current_a=a) for v, a in ((5.0, 3.0), (9.0, 3.0), (15.0, 2.0), (20.0, 1.5))
    )
    fields = {
        "maker": "Larkfield",
        "model": "LT-30",
        "sample": Sample("bought", "2026-10-03"),
        "nameplate": Nameplate(30.0),
        "ports": (Port("C1", "usb-c", outputs, power_w=30.0),),
        "price": Price(29.0, "EUR", "2026-10-03"),
        "claims": (Claim("standby/no_load_power_w", "max", 0.1, "less than 0.1 W", "manual", when={"mains_v": 230.0}),),
        **more,
    }
    return Charger(name=name, **fields)


def efficiency_log(power="Power", shuffled=False) -> bytes:
    """Four loads of five minutes each at 20 V, 1 s apart; loss 0.3 W and 8 % of the output, a ripple of 0.01 %."""
    head = f"t [s],{power} [W],U [V],I [A]" if not shuffled else f"t [s],U [V],{power} [W],I [A]"
    lines = [head]
    for k in range(4 * 330):
        amps = 1.5 * (1.0, 0.75, 0.5, 0.25)[k // 330]
        wave = 1.0 + 1e-4 * math.sin(k)
        volts = 20.0 - 0.05 * amps
        watts = (0.3 + 1.08 * volts * amps) * wave
        row = [f"{watts:.4f}", f"{volts * wave:.4f}", f"{amps * wave:.5f}"]
        if shuffled:
            row = [row[1], row[0], row[2]]
        lines.append(f"{k}.0," + ",".join(row))
    return ("\n".join(lines) + "\n").encode()


def standby_log() -> bytes:
    return ("t [s],Power [W]\n" + "".join(f"{k}.0,{0.05 + 1e-5 * math.sin(k):.6f}\n" for k in range(1200))).encode()


def make_book(root: Path) -> Book:
    book = Book.create(root, title="Bench of the tern", publisher="A. Tester", energy_price_per_kwh=0.3)
    shutil.copy(str(files("brickbook.demo") / "scenario" / "bench.toml"), root / "bench.toml")
    return book


def analysed(book: Book, slug: str) -> None:
    with book.lock(slug):
        save(book, slug, analyse_charger(book, slug))
        write_entry(book, slug)


@dataclass
class Answer:
    code: int
    body: bytes
    headers: dict[str, str]

    @property
    def text(self) -> str:
        return self.body.decode("utf-8", "replace")


@dataclass
class App:
    """A running app and what a browser knows of it."""

    process: subprocess.Popen
    port: int
    token: str
    root: Path
    cookie: str = ""
    spoken: list[str] = field(default_factory=list)

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    @property
    def book(self) -> Book:
        return Book.open(self.root)

    def ask(self, method, path, body=None, *, headers=None, cookie=True, host=None, origin=True) -> Answer:
        """One request, as bare as HTTP allows: nothing is tidied up on the way."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=20)
        sent = {"Host": host or f"127.0.0.1:{self.port}"}
        if cookie and self.cookie:
            sent["Cookie"] = self.cookie
        if origin and method != "GET":
            sent["Origin"] = self.address
        if isinstance(body, str):
            body = body.encode()
            sent["Content-Type"] = "application/x-www-form-urlencoded"
        connection.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
        for name, value in {**sent, **(headers or {})}.items():
            if value is not None:
                connection.putheader(name, value)
        if body is not None and "Transfer-Encoding" not in (headers or {}) and "Content-Length" not in (headers or {}):
            connection.putheader("Content-Length", str(len(body)))
        try:
            with contextlib.suppress(BrokenPipeError, ConnectionResetError):  # answered before all was sent
                connection.endheaders(body)
            answer = connection.getresponse()
            return Answer(answer.status, answer.read(), {k.lower(): v for k, v in answer.getheaders()})
        finally:
            connection.close()

    def let_in(self) -> None:
        answer = self.ask("GET", f"/?token={self.token}", cookie=False)
        assert answer.code == 303, answer.text
        self.cookie = answer.headers["set-cookie"].partition(";")[0]

    def stop(self) -> int:
        self.process.send_signal(signal.SIGINT)
        return self.process.wait(15)


def serve(root: Path, *options: str) -> App:
    environment = {**os.environ, "NO_COLOR": "1"}
    environment.pop("BRICKBOOK_BOOK", None)
    code = "from brickbook.cli import main; main()"
    with (root / "stderr.txt").open("wb") as complaints:
        process = subprocess.Popen(
            [sys.executable, "-c", code, "serve", str(root), "--port", "0", "--no-browser", *options],
            stdout=subprocess.PIPE,
            stderr=complaints,
            text=True,
            env=environment,
        )
    with process.stdout as said:  # no more is written there
        line = said.readline()
        said.readline()
        said.readline() if "--host" in options else None
    match = re.search(r"http://127\.0\.0\.1:(\d+)/\?token=(\S+)", line)
    assert match, line + (root / "stderr.txt").read_text()
    app = App(process, int(match[1]), match[2], root)
    app.let_in()
    return app


def until(look, seconds=20.0, every=0.1):
    """What `look` gives, once it is something."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        found = look()
        if found:
            return found
        time.sleep(every)
    raise AssertionError("it did not happen in time")


@pytest.fixture(scope="module")
def app(tmp_path_factory):
    """The app over a book with one charger that was measured; shared by a module."""
    root = tmp_path_factory.mktemp("app") / "book"
    book = make_book(root)
    book.new_charger("tern-30", described())
    (root / "log.csv").write_bytes(standby_log())
    from brickbook.analysis import Wishes, look_at

    at = {"mains_v": 230, "mains_hz": 50, "situation": "bare"}
    seen = look_at(
        book,
        standby_log(),
        "log.csv",
        "standby.csv",
        Wishes(columns=(("Power [W]", "mains_power_w", "W"),), conditions=at),
    )
    book.save_shape(seen.shape)
    book.import_raw("tern-30", standby_log(), name="standby.csv", studies=["standby"], reader="meter-log",
                    shape=seen.shape.id, conditions=at, instruments=seen.instruments)  # fmt: skip
    analysed(book, "tern-30")
    running = serve(root)
    yield running
    running.stop()
    said = (root / "stderr.txt").read_text()
    assert "Traceback" not in said, said


@pytest.fixture(scope="module")  # one that stays open is in the way of other modules' browsers
def chromium():
    if CHROMIUM is None:
        pytest.skip("NO CHROMIUM FOUND: the journeys are NOT checked")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as p:
        browser = p.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield browser
        browser.close()


class Visitor:
    """A page that notes every request that leaves the app and everything the browser complains of."""

    def __init__(self, browser, app, **more):
        self.context = browser.new_context(base_url=app.address, **{"viewport": {"width": 1280, "height": 900}, **more})
        self.page = self.context.new_page()
        self.page.set_default_timeout(30_000)
        self.outside, self.said = [], []
        self.page.on(
            "request", lambda r: None if r.url.startswith((app.address, "data:")) else self.outside.append(r.url)
        )
        self.page.on("dialog", lambda d: (self.said.append(f"dialog {d.message}"), d.dismiss()))
        self.page.on("pageerror", lambda e: self.said.append(str(e)))
        self.page.on(
            "console",
            lambda m: (
                self.said.append(m.text)
                if m.type == "error" and "status of 4" not in m.text and "net::ERR" not in m.text
                else None
            ),
        )
        self.page.goto(f"/?token={app.token}")

    def close(self):
        self.context.close()
        assert self.outside == []
        assert self.said == []


@pytest.fixture
def visitor(chromium, app):
    one = Visitor(chromium, app)
    yield one
    one.close()


def events_of(folder: Path) -> list[dict]:
    return [json.loads(line) for line in (folder / "journal.jsonl").read_text().splitlines()]
