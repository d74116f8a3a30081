"""What must not get in, through, or out.

The attacks are those of the OWASP Application Security Verification Standard 4.0.3 (V4 access control and CSRF, V5
output encoding, V12 files) and of DNS rebinding as common practice describes it.
"""

from __future__ import annotations

import hashlib
import socket
import time
from urllib.parse import quote, urlencode

import pytest

from brickbook.app.guard import Door, names_of

from .conftest import described

FORM = {"Content-Type": "application/x-www-form-urlencoded"}


def tree(root):
    """Every file of the book with its content; what is only kept to save time is left out."""
    return {
        str(p.relative_to(root)): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in sorted(root.rglob("*"))
        if p.is_file() and "_catalogue" not in p.parts and p.name != "stderr.txt"
    }


# The door


def test_nobody_comes_in_without_the_token(app):
    for path in ("/", "/chargers/tern-30", "/static/app.js", "/report/index.html", "/?token=wrong"):
        answer = app.ask("GET", path, cookie=False)
        assert answer.code == 403
        assert "tern" not in answer.text
    assert app.ask("GET", "/", cookie=False, headers={"Cookie": f"brickbook-{app.port}=guess"}).code == 403


def test_the_token_becomes_a_cookie_and_leaves_the_address(app):
    answer = app.ask("GET", f"/compare?figure=x&token={app.token}", cookie=False)
    assert answer.code == 303
    assert answer.headers["location"] == "/compare?figure=x"
    cookie = answer.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    assert app.token not in answer.headers["set-cookie"]
    away = app.ask("GET", f"//elsewhere.example/?token={app.token}", cookie=False)
    assert away.headers["location"].startswith("/elsewhere")


def test_a_token_for_the_browser_opens_once():
    door = Door(names_of("127.0.0.1", 8420), once={"first"})
    assert door.opens("first")
    assert not door.opens("first")
    assert door.opens(door.token)


@pytest.mark.parametrize("host", ["evil.example", "evil.example:{port}", "127.0.0.1.evil.example:{port}", "127.0.0.1",
                                  "localhost:1", "192.0.2.1:{port}"])  # fmt: skip
def test_a_name_pointed_here_from_elsewhere_is_refused(app, host):
    """DNS rebinding: the page of another name reaches this port, and its own name is what the browser sends."""
    host = host.format(port=app.port)
    for method, path in (("GET", "/"), ("GET", f"/?token={app.token}"), ("POST", "/new")):
        answer = app.ask(
            method, path, "" if method == "POST" else None, host=host, headers={"Origin": f"http://{host}"}
        )
        assert answer.code in (400, 421)
        assert "set-cookie" not in answer.headers


def test_addresses_pass_where_other_computers_are_let_in():
    door = Door(names_of("localhost", 8420, ("bench",)), any_address=True)
    assert door.knows_host("192.0.2.7:8420")
    assert door.knows_host("bench:8420")
    assert not door.knows_host("evil.example:8420")
    assert not door.knows_host("192.0.2.7:80")


CHANGES = [
    ("/new", {"slug": "forged"}),
    ("/chargers/tern-30/words", {"which": "notes", "text": "forged", "seen": hashlib.sha256(b"").hexdigest()}),
    ("/chargers/tern-30/claims", {"do": "save", "name": "forged"}),
    ("/chargers/tern-30/analyse", {}),
    ("/chargers/tern-30/publish", {}),
    ("/chargers/tern-30/plan", {}),
    ("/chargers/tern-30/runs", {"sure": "yes"}),
    ("/chargers/tern-30/runs/x/control", {"do": "abort"}),
]


@pytest.mark.parametrize(("path", "fields"), CHANGES)
@pytest.mark.parametrize(
    "origin", [None, "null", "http://evil.example", "https://127.0.0.1:{port}", "http://localhost:{port}"]
)
def test_a_form_of_another_page_changes_nothing(app, path, fields, origin):
    before = tree(app.root)
    headers = {} if origin is None else {"Origin": origin.format(port=app.port)}
    answer = app.ask("POST", path, urlencode(fields), headers=headers, origin=False)
    assert answer.code == 403
    assert tree(app.root) == before


def test_cross_site_is_refused_even_with_the_right_origin(app):
    answer = app.ask("POST", "/new", "slug=forged", headers={"Sec-Fetch-Site": "cross-site"})
    assert answer.code == 403


def test_nothing_is_changed_by_looking(app):
    app.ask("GET", "/compare")
    before = tree(app.root)
    paths = ["/", "/new", "/compare", "/choose", "/chargers/tern-30"]
    paths += [
        f"/chargers/tern-30/{part}" for part in ("claims", "files", "figures", "words", "bench", "raw/standby.csv")
    ]
    for path in paths:
        assert app.ask("GET", path).code == 200, path
    for path, fields in CHANGES:
        assert app.ask("GET", f"{path}?{urlencode(fields)}").code in (200, 404, 405)
    assert tree(app.root) == before


def test_every_answer_has_its_headers(app):
    for path in ("/", "/static/app.js", "/none"):
        headers = app.ask("GET", path).headers
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "script-src 'self'" in policy
        assert "unsafe" not in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["x-frame-options"] == "DENY"


# Files


@pytest.mark.parametrize("path", [
    "/report/../../book.toml", "/report/..%2f..%2fbook.toml", "/report/%2e%2e/%2e%2e/book.toml", "/report//etc/passwd",
    "/report/..%5c..%5cbook.toml", "/report/%00", "/draft/../report/../../bench.toml", "/static/../guard.py",
    "/static/..%2fguard.py", "/chargers/../bench.toml", "/chargers/..%2f..%2f/claims", "/chargers/tern-30/raw/../charger.toml",
    "/chargers/tern-30/raw/..%2fcharger.toml", "/chargers/tern-30/raw/index.toml", "/chargers/tern-30/raw//etc/passwd",
    "/chargers/tern-30/files/new/..%2f..%2f..", "/chargers/tern-30/runs/..%2f..%2f/events", "/chargers/.hidden",
])  # fmt: skip
def test_no_file_outside_is_read(app, path):
    answer = app.ask("GET", path)
    assert answer.code in (404, 405, 422), answer.text
    for secret in ("publisher =", "[instruments", "root:", "nameplate]", "class Guard"):
        assert secret not in answer.text


def test_links_that_lead_out_are_not_followed(app, tmp_path):
    secret = tmp_path / "secret.txt"
    secret.write_text("the secret of the house")
    book = app.book
    book.new_charger("linked", described("Linked"))
    folder = app.root / "chargers/linked"
    report = app.root / "derived/report"
    report.mkdir(parents=True, exist_ok=True)
    for place, path in ((folder / "notes.md", "/chargers/linked/words"), (report / "out.html", "/report/out.html")):
        place.unlink(missing_ok=True)
        place.symlink_to(secret)
        answer = app.ask("GET", path)
        assert answer.code == 422
        assert "leads out of the book" in answer.text
        assert "the secret" not in answer.text
        place.unlink()
    (folder / "notes.md").symlink_to(secret)
    fields = {"which": "notes", "text": "overwritten", "seen": hashlib.sha256(secret.read_bytes()).hexdigest()}
    assert app.ask("POST", "/chargers/linked/words", urlencode(fields)).code == 422
    assert secret.read_text() == "the secret of the house"
    (folder / "notes.md").unlink()
    outside = tmp_path / "elsewhere"
    (app.root / "chargers/linked").rename(outside)
    (app.root / "chargers/linked").symlink_to(outside)
    assert app.ask("GET", "/chargers/linked/claims").code == 422
    (app.root / "chargers/linked").unlink()


@pytest.mark.parametrize(
    "name", ["../evil.csv", "..%2f..%2fevil.csv", "/etc/evil.csv", "a\x00b.csv", ".hidden", "index.toml", "", "con:x"]
)
def test_names_of_uploads_stay_inside(app, name):
    before = tree(app.root)
    answer = app.ask("PUT", f"/chargers/tern-30/files?name={quote(name, safe='%')}", b"t,P\n0,1\n")
    if answer.code == 201:  # only the last part of a path is taken
        found = {path for path in tree(app.root) if path not in before}
        assert all(path.startswith("derived/_uploads/tern-30/") for path in found)
        assert not list(app.root.parent.rglob("evil.csv"))
    else:
        assert answer.code == 413
        assert "name" in answer.text
        assert tree(app.root) == before


# Too much


@pytest.fixture(scope="module")
def small_app(tmp_path_factory):
    from .conftest import make_book, serve

    root = tmp_path_factory.mktemp("small") / "book"
    make_book(root).new_charger("tern-30", described())
    running = serve(root, "--upload-mb", "2")
    yield running
    running.stop()


def test_a_large_upload_is_refused_before_it_comes(small_app):
    answer = small_app.ask("PUT", "/chargers/tern-30/files?name=big.csv", b"", headers={"Content-Length": str(10**12)})
    assert answer.code == 413
    assert "larger than 2 MB" in answer.text


def test_an_endless_upload_is_cut(small_app):
    """Chunked, without a length, for ever: RFC 9112 7.1."""
    head = (
        f"PUT /chargers/tern-30/files?name=endless.csv HTTP/1.1\r\nHost: 127.0.0.1:{small_app.port}\r\n"
        f"Origin: {small_app.address}\r\nCookie: {small_app.cookie}\r\nTransfer-Encoding: chunked\r\n\r\n"
    )
    piece = b"10000\r\n" + b"7" * 65_536 + b"\r\n"
    sent = 0
    with socket.create_connection(("127.0.0.1", small_app.port), timeout=10) as wire:
        wire.sendall(head.encode())
        try:
            while sent < 60_000_000:
                wire.sendall(piece)
                sent += 65_536
        except OSError:
            pass
        try:
            answer = wire.recv(4000).decode("utf-8", "replace")
        except OSError:
            answer = ""
    assert sent < 60_000_000
    assert answer == "" or "larger than 2 MB" in answer
    time.sleep(0.3)
    assert not list((small_app.root / "derived").rglob("data"))
    assert small_app.ask("GET", "/").code == 200


def test_a_form_without_end_is_cut(small_app):
    head = {**FORM, "Content-Length": "5000000"}
    assert small_app.ask("POST", "/new", b"slug=a", headers=head).code == 413
    pieces = b"".join(b"10000\r\n" + b"7" * 65_536 + b"\r\n" for _ in range(17))
    assert small_app.ask("POST", "/new", pieces, headers={**FORM, "Transfer-Encoding": "chunked"}).code == 413
    answer = small_app.ask("POST", "/new", "&".join(f"f{k}=1" for k in range(20_000)))
    assert answer.code == 400
    assert small_app.ask("POST", "/new", b"x" * 10, headers={"Content-Type": "multipart/form-data"}).code == 415


# Script in every text field


def test_script_in_every_text_field_is_text(app):
    evil = "<script>window.ran=1</script><img src=x onerror=window.ran=1>\"'{{7*7}}"
    fields = {"which": "notes", "text": evil, "seen": hashlib.sha256(b"").hexdigest()}
    app.book.new_charger("hostile", described(evil, maker=evil, model=evil, summary=evil))
    assert app.ask("POST", "/chargers/hostile/words", urlencode(fields)).code == 303
    answer = app.ask(
        "PUT", f"/chargers/hostile/files?name={quote('evil;&$(x).csv')}", f'"{evil}",P\n0,1\n1,2\n'.encode()
    )
    assert answer.code == 201
    waiting = app.ask("GET", "/chargers/hostile/files").text
    href = waiting.split('href="/chargers/hostile/files/new/')[1].split('"')[0]
    said = {"do": "look", "reader": evil, "name": evil, "note": evil, "recording": evil, "taken": evil, "more": f"a={evil}",
            "show": evil, "study": evil, "at-contract": evil, "by-mains_power_w": evil}  # fmt: skip
    assert app.ask("POST", f"/chargers/hostile/files/new/{href}", urlencode(said)).code == 303
    pages = ["/", "/compare", f"/compare?figure={quote(evil)}", f"/?words={quote(evil)}&state={quote(evil)}", "/choose"]
    pages += [
        f"/chargers/hostile{part}" for part in ("", "/claims", "/files", "/words", "/bench", f"/files/new/{href}")
    ]
    pages += [f"/chargers/{quote(evil, safe='')}", f"/?done={quote(evil)}"]
    for page in pages:
        text = app.ask("GET", page).text
        assert "<script>window" not in text, page
        assert "<img src=x" not in text, page
        assert "49" not in text.replace("490", "").split("<title>")[1].split("</title>")[0], page
    posted = [("/new", {"slug": evil, "name": evil}), ("/choose", {"device[0]": "1", "device[0].name": evil, "do": "choose"}),
              ("/chargers/hostile/claims", {"do": "save", "name": evil, "sample.note": evil, "seen": "0"})]  # fmt: skip
    for path, fields in posted:
        text = app.ask("POST", path, urlencode(fields)).text
        assert "<script>window" not in text, path
        assert "<img src=x" not in text, path


def test_the_app_ends_on_ctrl_c_with_a_page_open(small_app):
    """An open event stream must not hold it; this test comes last, as its app is gone then."""
    folder = small_app.root / "chargers/tern-30/runs/20261125T110203Z"
    folder.mkdir(parents=True)
    (folder / "journal.jsonl").write_text(
        '{"n":0,"at":"2026-11-25T11:02:03Z","t":0,"event":"run-started","tasks":[],"simulated":true}\n'
    )
    path = f"/chargers/tern-30/runs/{folder.name}/events"
    head = f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1:{small_app.port}\r\nCookie: {small_app.cookie}\r\n\r\n"
    with socket.create_connection(("127.0.0.1", small_app.port), timeout=10) as wire:
        wire.sendall(head.encode())
        said = b""
        while b"data: " not in said:
            said += wire.recv(4000)
        assert b"text/event-stream" in said
        start = time.monotonic()
        assert small_app.stop() in (0, 130, -2)
        assert time.monotonic() - start < 6
    assert "Traceback" not in (small_app.root / "stderr.txt").read_text()
