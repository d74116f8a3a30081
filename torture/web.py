"""Damaged requests to the web app: in-process through ASGI, and raw bytes on a socket of a real one."""

from __future__ import annotations

import asyncio
import os
import random
import re
import shutil
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

from brickbook.app import Door, create_app
from brickbook.app import bench as app_bench
from torture import samples
from torture.mutate import mutated

__all__ = ["AppTarget", "raw_requests", "requests"]

HOST = b"127.0.0.1:8420"
_FORM = b"application/x-www-form-urlencoded"


def requests() -> list[bytes]:
    """Honest requests: a request line, headers, a blank line, a body."""
    slug = samples.SLUG.encode()
    get = [
        *(b"/", b"/?words=tern&sort=2&down=1&page=1&state=analysed", b"/new", b"/compare?figure=standby/no_load"),
        *(b"/compare", b"/choose", b"/static/app.css", b"/static/app.js", b"/report/", b"/draft/x.html", b"/jobs/1"),
        *(b"/chargers/" + slug + tail for tail in (
            b"", b"/claims", b"/figures", b"/figures?study=standby", b"/files", b"/words", b"/bench",
            b"/raw/eff.csv?first=3&last=8", b"/raw/eff.csv?whole=1", b"/files/new/0123456789abcdef",
            b"/runs/20261125T110203Z/events", b"/figures/0123abcd",
        )),
    ]  # fmt: skip
    post = [
        (b"/new", b"slug=new-10&name=New&maker=Larkfield&model=N1"),
        (b"/choose", b"device.0.name=laptop&device.0.power_w=45&device.0.least_voltage_v=15&mains_v=230&do=choose"),
        (b"/choose", b"device.0.name=laptop&device.0.power_w=45&do=add%3Adevice"),
        (b"/chargers/" + slug + b"/words", b"which=notes&text=seen+it&seen="),
        (b"/chargers/" + slug + b"/claims", b"name=Tern&maker=Larkfield&model=LT-30&nameplate.total_power_w=30&seen="),
        (b"/chargers/" + slug + b"/claims", b"ports.0.id=C1&ports.0.outputs.0.voltage_v=5&do=add%3Aports"),
        (b"/chargers/" + slug + b"/claims/check", b"name=&nameplate.total_power_w=nan"),
        (
            b"/chargers/" + slug + b"/files/new/0123456789abcdef",
            b"do=look&reader=meter-log&studies=standby&mains_v=230",
        ),
        (b"/chargers/" + slug + b"/runs", b"task=x&how=resume"),
        (b"/chargers/" + slug + b"/runs/20261125T110203Z/control", b"do=answer&key=k&value=1"),
        (b"/chargers/" + slug + b"/plan", b"size=short"),
        (b"/chargers/" + slug + b"/analyse", b""),
    ]
    made = [b"GET " + path + b" HTTP/1.1\r\n\r\n" for path in get]
    made += [b"POST " + path + b" HTTP/1.1\r\ncontent-type: " + _FORM + b"\r\n\r\n" + body for path, body in post]
    put = b"PUT /chargers/" + slug + b"/files?name=log.csv HTTP/1.1\r\n\r\n"
    return [*made, put + samples.standby_log(20), put + samples.HAND_SHEET]


class AppTarget:
    """The app over a small book; `read` sends one damaged request."""

    def __init__(self) -> None:
        self._app: Any = None
        self._door = Door(frozenset({HOST.decode()}))
        self._honest: Path | None = None

    def read(self, data: bytes, folder: Path) -> None:
        """Answer the request; raises what the app lets through, and `WrongError` for an answer of 500."""
        from torture.targets import WrongError

        status, text = asyncio.run(self._answer(data, folder))
        if status >= 500:
            raise WrongError(f"answered {status}: {re.sub('<[^>]*>', ' ', text)[-300:]}")

    def _make(self, folder: Path) -> None:
        home = folder.parent / "app-book"
        if not home.exists():
            samples.small_book(home)
        waiting = home / "derived" / "_uploads" / samples.SLUG / "0123456789abcdef"
        waiting.mkdir(parents=True, exist_ok=True)
        (waiting / "data").write_bytes(samples.standby_log(60))
        (waiting / "said.json").write_text('{"name": "log.csv", "said": {}}')
        run = home / "chargers" / samples.SLUG / "runs" / "20261125T110203Z"
        run.mkdir(parents=True, exist_ok=True)
        (run / "journal.jsonl").write_bytes(samples.journal())
        self._app = create_app(home, self._door)
        self._app.state.desk.jobs.start = lambda *_words, **_more: None  # work in other processes is not for here
        app_bench._detached = lambda *_words: None  # type: ignore[assignment]
        self._honest = home / "chargers" / samples.SLUG / "charger.toml"
        self._kept = self._honest.read_bytes()

    async def _answer(self, data: bytes, folder: Path) -> tuple[int, str]:
        if self._app is None:
            self._make(folder)
        assert self._honest is not None
        self._honest.write_bytes(self._kept)
        uploads = self._honest.parents[2] / "derived" / "_uploads" / samples.SLUG
        for old in [path for path in uploads.iterdir() if path.name != "0123456789abcdef"]:
            shutil.rmtree(old)
        for other in [p for p in self._honest.parents[1].iterdir() if p.name != samples.SLUG]:
            shutil.rmtree(other)
        head, _, body = data.partition(b"\r\n\r\n")
        lines = head.split(b"\r\n")
        words = lines[0].split(b" ")
        method = words[0].decode("latin-1") or "GET"
        target = words[1] if len(words) > 1 else b"/"
        # the server refuses other bytes before the app sees them; `raw_requests` tries those
        target = re.sub(rb"[^\x21-\x7e]", lambda found: b"%%%02X" % found.group()[0], target)
        path, _, query = target.partition(b"?")
        from urllib.parse import unquote

        headers = [(b"host", HOST), (b"origin", b"http://" + HOST), (b"content-length", str(len(body)).encode())]
        headers.append((b"cookie", f"{self._door.cookie}={self._door.session}".encode()))
        headers += [(n.strip().lower(), v.strip()) for n, _, v in (line.partition(b":") for line in lines[1:])]
        if not path.startswith(b"/"):
            path = b"/" + path
        scope = {
            "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": method, "scheme": "http",
            "path": unquote(path.decode("latin-1")), "raw_path": path, "query_string": query, "headers": headers,
            "client": ("127.0.0.1", 5000), "server": ("127.0.0.1", 8420), "root_path": "",
        }  # fmt: skip
        sent: list[dict[str, Any]] = []
        pieces = [body]

        async def receive() -> dict[str, Any]:
            if pieces:
                return {"type": "http.request", "body": pieces.pop(), "more_body": False}
            return {"type": "http.disconnect"}  # so that event streams end

        async def send(message: dict[str, Any]) -> None:
            sent.append(message)

        await self._app(scope, receive, send)
        status = next((m["status"] for m in sent if m["type"] == "http.response.start"), 0)
        text = b"".join(m.get("body", b"") for m in sent if m["type"] == "http.response.body")
        return int(status), text.decode("utf-8", "replace")


def raw_requests(home: Path, seed: int, count: int) -> dict[str, Any]:
    """Damaged bytes on a socket of a real app; every fiftieth request is honest and must be answered."""
    root = home / "raw-book"
    shutil.rmtree(root, ignore_errors=True)
    samples.small_book(root)
    app, port, token = start_app(root)
    honest = [
        r.replace(b"\r\n\r\n", b"\r\nhost: 127.0.0.1:%d\r\nconnection: close\r\n\r\n" % port, 1) for r in requests()
    ]
    honest = [r for r in honest if b"/runs" not in r.split(b"\r\n")[0] and b"/plan" not in r and b"/analyse" not in r]
    answered = unanswered = missed = 0
    codes: dict[str, int] = {}
    for case in range(count):
        rng = random.Random(f"{seed}/raw/{case}")
        data = mutated(rng.choice(honest), rng, honest)[:300_000]
        answer = _send(port, data)
        answered, unanswered = answered + bool(answer), unanswered + (not answer)
        code = answer[9:12].decode("latin-1")
        codes[code] = codes.get(code, 0) + 1
        if case % 50 == 0:
            good = b"GET /?token=%s HTTP/1.1\r\nhost: 127.0.0.1:%d\r\nconnection: close\r\n\r\n" % (
                token.encode(),
                port,
            )
            missed += not _send(port, good).startswith(b"HTTP/1.1 303")
    app.send_signal(signal.SIGINT)
    app.wait(20)
    said = (root / "stderr.txt").read_text("utf-8", "replace")
    return {
        "cases": count, "answered": answered, "closed without an answer": unanswered, "codes": codes,
        "honest ones not answered": missed, "tracebacks": said.count("Traceback"), "of 500": codes.get("500", 0),
    }  # fmt: skip


def start_app(root: Path, *options: str) -> tuple[subprocess.Popen[str], int, str]:
    """The app as a process of its own; gives it, its port and its token."""
    code = "from brickbook.cli import main; main()"
    with (root / "stderr.txt").open("wb") as said:
        app = subprocess.Popen(
            [sys.executable, "-c", code, "serve", str(root), "--port", "0", "--no-browser", *options],
            stdout=subprocess.PIPE, stderr=said, text=True, env={**os.environ, "NO_COLOR": "1"},
        )  # fmt: skip
    assert app.stdout is not None
    line = app.stdout.readline()
    found = re.search(r"http://127\.0\.0\.1:(\d+)/\?token=(\S+)", line)
    assert found, line + (root / "stderr.txt").read_text()
    return app, int(found[1]), found[2]


def _send(port: int, data: bytes) -> bytes:
    end = time.monotonic() + 5.0
    got = b""
    try:
        with socket.create_connection(("127.0.0.1", port), 2.0) as line:
            line.settimeout(2.0)
            line.sendall(data)
            line.shutdown(socket.SHUT_WR)
            while time.monotonic() < end and len(got) < 64:
                piece = line.recv(4096)
                if not piece:
                    break
                got += piece
    except OSError:
        pass
    return got
