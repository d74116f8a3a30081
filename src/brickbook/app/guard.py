"""Who may speak to the app: checked before any page's own code runs.

The app listens on this computer alone unless told otherwise. Even there other people and every web page open in the
browser could reach it, so that each request must bring three things:

- a `Host` that is one of the app's own names: a page elsewhere whose name is pointed here (DNS rebinding) has another;
- a cookie, given for the token in the address that the terminal shows (`SameSite=Strict`, out of scripts' reach);
- for anything that may change something, an `Origin` that is the app itself (cross-site request forgery).

Nothing is changed by GET. Bodies are counted as they come and cut at a bound.
"""

from __future__ import annotations

import hmac
import ipaddress
import secrets
from collections.abc import Iterable
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie
from typing import Any
from urllib.parse import parse_qsl, urlencode

from starlette.datastructures import Headers
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

__all__ = ["FORM_BYTES", "STREAMS", "Door", "Guard", "TooLargeError", "names_of"]

FORM_BYTES = 1_000_000
STREAMS = "brickbook.streams"  # a page that counts its body itself says so in the scope
_READING = ("GET", "HEAD")
_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
_HEADERS = {
    "content-security-policy": _POLICY,
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "referrer-policy": "same-origin",  # with "no-referrer" a form's Origin would be "null"
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "cache-control": "no-store",
}


class TooLargeError(Exception):
    """A body is larger than its bound."""


def names_of(host: str, port: int, more: Iterable[str] = ()) -> frozenset[str]:
    """Names a request may have for the app in its `Host`, port included."""
    names = {"127.0.0.1", "localhost", "[::1]", f"[{host}]" if ":" in host else host, *more}
    return frozenset(f"{name.lower()}:{port}" for name in names if name)


@dataclass(slots=True)
class Door:
    """The app's names and secrets.

    Parameters
    ----------
    names
        See `names_of`.
    any_address
        Let a `Host` pass that is an address and no name: when the app listens to other computers. An address cannot be
        pointed elsewhere as a name can.
    token
        In the address the terminal shows; good for as long as the app runs.
    session
        What the cookie holds.
    once
        Tokens that open the door one time: for the browser the app opens itself, as others can read its command line.
    """

    names: frozenset[str]
    any_address: bool = False
    token: str = field(default_factory=lambda: secrets.token_urlsafe(24))
    session: str = field(default_factory=lambda: secrets.token_urlsafe(32))
    once: set[str] = field(default_factory=set)

    @property
    def cookie(self) -> str:
        """The cookie's name; cookies are shared by all ports of a host, so the port is in it."""
        ports = {name.rpartition(":")[2] for name in self.names}
        return f"brickbook-{min(ports, default='0')}"

    def knows_host(self, host: str) -> bool:
        """Whether a `Host` header is one of ours."""
        if host.lower() in self.names:
            return True
        name, colon, port = host.rpartition(":")
        if not (self.any_address and colon and f"127.0.0.1:{port}" in self.names):
            return False
        try:
            ipaddress.ip_address(name.strip("[]"))
        except ValueError:
            return False
        return True

    def opens(self, token: str) -> bool:
        """Whether a token opens the door."""
        known = next((one for one in self.once if _same(one, token)), None)
        if known is not None:
            self.once.discard(known)
            return True
        return _same(token, self.token)

    def has_session(self, cookies: str) -> bool:
        """Whether a `Cookie` header holds the session."""
        jar: SimpleCookie = SimpleCookie()
        try:
            jar.load(cookies)
        except CookieError:
            return False
        return self.cookie in jar and _same(jar[self.cookie].value, self.session)


class Guard:
    """ASGI middleware: lets through what `Door` allows, adds the headers every answer has, and bounds bodies."""

    def __init__(self, app: ASGIApp, door: Door) -> None:
        self.app = app
        self.door = door

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":  # there are no web sockets here
            await send({"type": "websocket.close", "code": 1008})
            return
        refusal = self._refusal(scope)
        if refusal is not None:
            await _with_headers(refusal, scope, receive, send)
            return

        taken = 0

        async def counted() -> Message:
            nonlocal taken
            message = await receive()
            taken += len(message.get("body", b""))
            if taken > FORM_BYTES and not scope.get(STREAMS):
                raise TooLargeError
            return message

        answered = False

        async def watched(message: Message) -> None:
            nonlocal answered
            answered = True
            await send(message)

        try:
            await _with_headers(self.app, scope, counted, watched)
        except TooLargeError:
            if answered:
                raise
            await _with_headers(_said(413, f"More than {FORM_BYTES:,} bytes were sent: that is no form of this app."),
                                scope, receive, send)  # fmt: skip

    def _refusal(self, scope: Scope) -> Response | None:
        headers = Headers(scope=scope)
        host = headers.get("host", "")
        if headers.getlist("host") != [host] or not self.door.knows_host(host):
            return _said(421, "This is not an address of the app. Open the address that the terminal shows.")
        given = dict(parse_qsl(scope["query_string"].decode("latin-1"))).get("token", "")
        if scope["method"] in _READING and given and self.door.opens(given):
            return self._let_in(scope)
        if scope["method"] not in _READING:
            site = headers.get("sec-fetch-site", "same-origin")
            if headers.get("origin", "") != f"http://{host}" or site != "same-origin":
                return _said(403, "This was not sent by a page of the app, so nothing was changed.")
        if not any(self.door.has_session(line) for line in headers.getlist("cookie")):
            return _said(403, "The app does not know this browser. Open the address, with its token, that the terminal shows.")  # fmt: skip # noqa: E501
        return None

    def _let_in(self, scope: Scope) -> Response:
        """Send the browser on to the same page without the token, with a cookie."""
        rest = [(k, v) for k, v in parse_qsl(scope["query_string"].decode("latin-1")) if k != "token"]
        path = "/" + str(scope["path"]).lstrip("/")  # "//elsewhere" would lead away
        answer = RedirectResponse(path + (f"?{urlencode(rest)}" if rest else ""), status_code=303)
        answer.set_cookie(self.door.cookie, self.door.session, httponly=True, samesite="strict", path="/")
        return answer


async def _with_headers(app: ASGIApp, scope: Scope, receive: Receive, send: Send) -> None:
    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            present = {name.lower() for name, _ in message["headers"]}
            more = [(k.encode(), v.encode()) for k, v in _HEADERS.items() if k.encode() not in present]
            message = {**message, "headers": [*message["headers"], *more]}
        await send(message)

    await app(scope, receive, sending)


def _said(status: int, words: str) -> Response:
    page = (
        '<!DOCTYPE html><html lang="en"><head><meta charset="utf-8"><title>Brickbook</title>'
        '<link rel="stylesheet" href="/static/app.css"></head>'
        f'<body><main class="page"><h1>Not let in</h1><p>{words}</p></main></body></html>'
    )
    more: dict[str, Any] = {"connection": "close"} if status == 413 else {}
    return HTMLResponse(page, status_code=status, headers=more)


def _same(one: str, other: str) -> bool:
    return hmac.compare_digest(one.encode("utf-8", "surrogatepass"), other.encode("utf-8", "surrogatepass"))
