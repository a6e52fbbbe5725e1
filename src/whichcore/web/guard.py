"""Who may ask: the name the server is asked by, the page a request comes from, the token, the size.

A page of another site that a browser has open must not drive the bench. It cannot set Host or Origin: both
are held against what this server is called (the usual answer to cross-site requests and to DNS rebinding;
practice, no source).
"""

from __future__ import annotations

import hmac
from collections.abc import Iterable
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qs

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

COOKIE = "whichcore_token"
READS = frozenset({"GET", "HEAD"})
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; font-src 'self'; "
    "connect-src 'self'; frame-src 'self'; manifest-src 'self'; form-action 'none'; base-uri 'none'; "
    "frame-ancestors 'none'"
)
HEADERS = {
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "cache-control": "no-store",
}


@dataclass(frozen=True, slots=True)
class Guarded:
    """What is let through.

    Attributes
    ----------
    hosts : frozenset of str
        Values of the Host header, with port.
    token : str
        Empty where only this machine can reach the server.
    """

    hosts: frozenset[str] = field(default_factory=frozenset)
    token: str = ""


def loopback_hosts(port: int) -> frozenset[str]:
    """Return the names that this machine calls itself by."""
    return frozenset(f"{name}:{port}" for name in ("127.0.0.1", "localhost", "[::1]"))


class Guard:
    """Middleware around everything.

    Parameters
    ----------
    app : ASGI application
    rules : Guarded
    """

    def __init__(self, app: ASGIApp, rules: Guarded) -> None:
        self._app, self._rules = app, rules

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer, or refuse."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        refusal = self._refusal(scope, headers)
        if refusal is not None:
            await _refuse(refusal, scope, receive, send)
            return
        if self._rules.token and scope["type"] == "http" and (given := _asked_token(scope)):
            response = RedirectResponse(scope["path"], 303)
            response.set_cookie(COOKIE, given, httponly=True, samesite="strict")
            await response(scope, receive, send)
            return
        await self._app(scope, receive, _with_headers(send))

    def _refusal(self, scope: Scope, headers: Headers) -> Response | None:
        host = headers.get("host", "").lower()
        if host not in self._rules.hosts:
            return _no(421, "this server is not called so", "Host", host, self._rules.hosts)
        origin = headers.get("origin")
        reads = scope["type"] == "http" and scope["method"] in READS
        if origin is None and not reads:
            return _no(403, "a request that changes something says where it comes from", "Origin", "none", ())
        if origin is not None and origin.lower().partition("://")[2] not in self._rules.hosts:
            return _no(403, "requests from other pages are refused", "Origin", origin, self._rules.hosts)
        if headers.get("sec-fetch-site", "none") not in {"none", "same-origin"}:
            return _no(403, "requests from other pages are refused", "Sec-Fetch-Site", "another site", ())
        if self._rules.token and not self._knows_token(scope, headers):
            return _no(401, "the token is missing or wrong", "token", "", ("the address the server printed",))
        return None

    def _knows_token(self, scope: Scope, headers: Headers) -> bool:
        given = _asked_token(scope) or _cookie(headers)
        return hmac.compare_digest(given.encode(), self._rules.token.encode())


def _asked_token(scope: Scope) -> str:
    values = parse_qs(scope.get("query_string", b"").decode("latin-1")).get("token", [])
    return values[0] if values else ""


def _cookie(headers: Headers) -> str:
    try:
        found = SimpleCookie(headers.get("cookie", "")).get(COOKIE)
    except CookieError:
        return ""
    return "" if found is None else found.value


def _no(status: int, what: str, where: str, got: str, allowed: Iterable[str]) -> JSONResponse:
    fields = {
        "code": "refused",
        "what": what,
        "where": where,
        "got": got[:200],
        "allowed": ", ".join(sorted(allowed)),
        "next": "open the address that the server printed",
    }
    return JSONResponse({"error": fields}, status)


async def _refuse(response: Response, scope: Scope, receive: Receive, send: Send) -> None:
    if scope["type"] == "websocket":
        await send({"type": "websocket.close", "code": 1008})
        return
    await response(scope, receive, _with_headers(send))


def _with_headers(send: Send) -> Send:
    async def wrapped(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in HEADERS.items():
                headers.setdefault(name, value)
            headers.setdefault("content-security-policy", POLICY)
        await send(message)

    return wrapped
