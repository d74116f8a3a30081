"""The app put together, and the server it runs in."""

from __future__ import annotations

import hashlib
import secrets
import socket
import sys
import threading
import webbrowser
from importlib.resources import files
from pathlib import Path

import uvicorn
from fastapi import FastAPI, HTTPException, Request
from starlette.exceptions import HTTPException as StarletteHTTPException
from starlette.responses import JSONResponse, Response

from brickbook.app import bench, charger, compare, shelf
from brickbook.app import files as files_
from brickbook.app.desk import UPLOAD_BYTES, Desk, render
from brickbook.app.guard import Door, Guard, names_of
from brickbook.book import Book
from brickbook.core.errors import BookError, BrickbookError, Fault

__all__ = ["create_app", "serve_book"]

_STATIC = {"app.css": "text/css", "app.js": "text/javascript"}
_EVERYWHERE = ("0.0.0.0", "::")  # noqa: S104 - only when asked for by name
_LOOPBACK = ("127.0.0.1", "localhost", "::1")


def create_app(root: Path, door: Door, *, upload_bytes: int = UPLOAD_BYTES) -> FastAPI:
    """The app over one book.

    Parameters
    ----------
    root
        The book's folder.
    door
        Who may come in.
    upload_bytes
        Largest file that is taken in.

    Raises
    ------
    BookError
        When the folder is not a book, or its top files have faults.
    """
    book = Book.open(root)
    app = FastAPI(title="Brickbook", docs_url=None, redoc_url=None, openapi_url=None)
    app.state.desk = Desk(book.root, door, upload_bytes)
    for part in (shelf, charger, files_, bench, compare):
        app.include_router(part.router)

    @app.get("/static/{name}")
    def static(request: Request, name: str) -> Response:
        if name not in _STATIC:
            raise HTTPException(404, "There is no such file.")
        content = _static(name)
        mark = f'"{hashlib.sha256(content).hexdigest()[:16]}"'
        headers = {"etag": mark, "cache-control": "no-cache"}
        if request.headers.get("if-none-match") == mark:
            return Response(status_code=304, headers=headers)
        return Response(content, media_type=_STATIC[name], headers=headers)

    @app.exception_handler(BrickbookError)
    def told(request: Request, error: BrickbookError) -> Response:
        return _problem(request, 422, "This did not work", error.faults)

    @app.exception_handler(StarletteHTTPException)
    def missing(request: Request, error: StarletteHTTPException) -> Response:
        titles = {404: "Not found", 405: "Not possible"}
        fault = Fault(request.url.path, "", str(error.detail))
        return _problem(request, error.status_code, titles.get(error.status_code, "This did not work"), (fault,))

    @app.exception_handler(Exception)
    def failed(request: Request, error: Exception) -> Response:
        fault = Fault(type(error).__name__, "", "the program has a fault here; nothing more was done.",
                      "What it says in the terminal helps to find it.")  # fmt: skip
        return _problem(request, 500, "This did not work", (fault,))

    app.add_middleware(Guard, door=door)
    return app


def _static(name: str) -> bytes:
    if name == "app.css":  # the report's style, and what the app adds to it
        parts = (files("brickbook.publish") / "templates" / "style.css", files("brickbook.app") / "static" / name)
        return b"\n".join(part.read_bytes() for part in parts)
    return (files("brickbook.app") / "static" / name).read_bytes()


def _problem(request: Request, status: int, title: str, faults: tuple[Fault, ...]) -> Response:
    if "application/json" in request.headers.get("accept", ""):
        return JSONResponse({"faults": [str(f) for f in faults]}, status)
    return render(request, "problem.html.j2", status, title=title, faults=faults)


def serve_book(
    root: Path,
    *,
    host: str = "127.0.0.1",
    port: int | None = None,
    browser: bool = True,
    upload_bytes: int = UPLOAD_BYTES,
) -> int:
    """Serve a book until Ctrl-C.

    Parameters
    ----------
    root
        The book's folder.
    host
        Address to listen at; the default is reached from this computer alone.
    port
        `None`: 8420, or any free one where that is taken.
    browser
        Whether to open the page in the browser.
    upload_bytes
        Largest file taken in.

    Raises
    ------
    BookError
        When the folder is no book, or the address cannot be listened at.
    """
    listener = _listen(host, port)
    number = int(listener.getsockname()[1])
    local, everywhere = host in _LOOPBACK, host in _EVERYWHERE
    names = names_of("localhost" if everywhere else host, number, () if local else (socket.gethostname(),))
    door = Door(names, any_address=not local)
    app = create_app(root, door, upload_bytes=upload_bytes)
    desk: Desk = app.state.desk
    shown = "127.0.0.1" if everywhere or host == "localhost" else f"[{host}]" if ":" in host else host
    address = f"http://{shown}:{number}/"
    out = sys.stdout
    out.write(f"{Book(root).title}: open {address}?token={door.token}\n")
    if not local:
        out.write(f"Other computers reach it at {socket.gethostname()}:{number}, without encryption.\n")
    out.write("Ctrl-C ends the app. A run on the bench goes on without it.\n")
    out.flush()
    config = uvicorn.Config(
        app, log_level="warning", timeout_graceful_shutdown=1, server_header=False, date_header=False, access_log=False,
        h11_max_incomplete_event_size=32_768, proxy_headers=False,
    )  # fmt: skip
    server = _Server(config, desk)
    if browser:
        door.once.add(once := secrets.token_urlsafe(24))
        threading.Timer(0.3, webbrowser.open, (f"{address}?token={once}",)).start()
    try:
        server.run(sockets=[listener])
    finally:
        desk.easel.close()
        listener.close()
    return 0


class _Server(uvicorn.Server):
    """A server that lets open event streams go when it is asked to end."""

    def __init__(self, config: uvicorn.Config, desk: Desk) -> None:
        super().__init__(config)
        self._desk = desk

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        self._desk.stopping = True
        await super().shutdown(sockets)


def _listen(host: str, port: int | None) -> socket.socket:
    kind = socket.AF_INET6 if ":" in host else socket.AF_INET
    wanted = (8420, 0) if port is None else (port,)
    for number in wanted:
        listener = socket.socket(kind, socket.SOCK_STREAM)
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listener.bind((host, number))
        except OSError as error:
            listener.close()
            if number == wanted[-1]:
                problem = f"cannot be listened at: {error.strerror or error}."
                raise BookError(Fault(f"{host}:{number}", "", problem, "Give another --host or --port.")) from error
            continue
        listener.listen(64)
        listener.set_inheritable(False)
        return listener
    raise AssertionError("one of the ports was tried")
