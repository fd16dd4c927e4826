"""Who may talk to the app: this machine only, or whoever has the token; and nothing is loaded from elsewhere."""

from __future__ import annotations

import hmac
import ipaddress
from collections.abc import Awaitable, Callable, MutableMapping
from http.cookies import SimpleCookie
from typing import Any
from urllib.parse import parse_qsl, urlencode, urlsplit

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]

COOKIE = "washboard_token"

#: Most that one request may carry: a photo of the log and what is wrapped around it. [bytes]
MOST_BODY = 13_000_000

#: Scripts and styles come from this server alone; Vue compiles its templates in the page, hence 'unsafe-eval'.
CONTENT_POLICY = (
    "default-src 'self'; script-src 'self' 'unsafe-inline' 'unsafe-eval' blob:; style-src 'self' 'unsafe-inline'; "
    "img-src 'self' data: blob:; font-src 'self' data:; connect-src 'self' ws: wss:; object-src 'none'; "
    "frame-src 'self'; frame-ancestors 'self'; base-uri 'self'; form-action 'self'"
)


def is_loopback(host: str) -> bool:
    """Whether `host` names this machine only."""
    name = host.strip("[]").lower()
    if name == "localhost":
        return True
    try:
        return ipaddress.ip_address(name).is_loopback
    except ValueError:
        return False


def _host_of(value: str) -> str:
    return (urlsplit(f"//{value}").hostname or "").lower()


class Guard:
    """ASGI middleware over every request and every socket.

    Without a token only requests addressed to this machine's own names pass, so that a page elsewhere cannot reach
    the app through a name that was pointed here. With one, a visitor gives it once and carries it as a cookie. What
    says that it comes from a page of another address is refused, be it a socket, a request or a part of that page.
    """

    def __init__(self, app: Any, *, token: str | None = None, names: tuple[str, ...] = ()) -> None:
        self._app, self._token, self._names = app, token, tuple(name.lower() for name in names)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] not in {"http", "websocket"}:
            await self._app(scope, receive, send)
            return
        headers = {key.decode("latin-1").lower(): value.decode("latin-1") for key, value in scope["headers"]}
        refusal = self._refusal(headers)
        if refusal:
            await _refuse(scope, send, refusal)
            return
        if self._token is not None:
            given = dict(parse_qsl(scope.get("query_string", b"").decode("latin-1")))
            if "token" in given and scope["type"] == "http" and self._fits(given["token"]):
                rest = urlencode([(key, value) for key, value in given.items() if key != "token"])
                await _to_cookie(send, scope["path"] + (f"?{rest}" if rest else ""), self._token)
                return
            if not self._fits(_cookie(headers)):
                await _refuse(scope, send, "This app needs its token: open the address with ?token=... at its end.")
                return
        await self._app(scope, _limited(receive), _with_headers(send))

    def _fits(self, given: str) -> bool:
        return self._token is not None and hmac.compare_digest(given.encode(), self._token.encode())

    def _refusal(self, headers: dict[str, str]) -> str:
        host = headers.get("host", "")
        name = _host_of(host)
        if self._token is None and not (is_loopback(name) or name in self._names):
            return "This app answers only on this machine's own address, for example http://127.0.0.1."
        origin = headers.get("origin")
        if origin is not None and urlsplit(origin).netloc.lower() != host.lower():
            return "This request comes from a page of another address and is refused."
        # A link elsewhere may lead here; a page elsewhere may not load anything from here into itself.
        if headers.get("sec-fetch-site") == "cross-site" and headers.get("sec-fetch-mode") != "navigate":
            return "This request comes from a page of another address and is refused."
        length = headers.get("content-length", "0")
        if not length.isdigit() or int(length) > MOST_BODY:
            return f"A request may carry {MOST_BODY / 1e6:.0f} MB at most."
        return ""


def _cookie(headers: dict[str, str]) -> str:
    jar: SimpleCookie = SimpleCookie()
    try:
        jar.load(headers.get("cookie", ""))
    except Exception:  # noqa: BLE001 - a malformed cookie is no token
        return ""
    return jar[COOKIE].value if COOKIE in jar else ""


async def _to_cookie(send: Send, path: str, token: str) -> None:
    jar: SimpleCookie = SimpleCookie()
    jar[COOKIE] = token
    jar[COOKIE]["httponly"] = True
    jar[COOKIE]["samesite"] = "Strict"
    jar[COOKIE]["path"] = "/"
    # Two slashes at the start would lead to another host.
    location = "/" + path.lstrip("/\\")
    headers = [
        (b"location", location.encode()),
        (b"set-cookie", jar[COOKIE].OutputString().encode()),
        (b"content-length", b"0"),
    ]
    await send({"type": "http.response.start", "status": 303, "headers": headers})
    await send({"type": "http.response.body", "body": b""})


def _limited(receive: Receive) -> Receive:
    """What a visitor sends, up to `MOST_BODY`; one that sends more without having said so is cut off."""
    seen = 0

    async def limited() -> MutableMapping[str, Any]:
        nonlocal seen
        message = await receive()
        if message["type"] == "http.request":
            seen += len(message.get("body", b""))
            if seen > MOST_BODY:
                return {"type": "http.disconnect"}
        return message

    return limited


async def _refuse(scope: Scope, send: Send, text: str) -> None:
    if scope["type"] == "websocket":
        await send({"type": "websocket.close", "code": 4403})
        return
    body = text.encode()
    headers = [(b"content-type", b"text/plain; charset=utf-8"), (b"content-length", str(len(body)).encode())]
    await send({"type": "http.response.start", "status": 403, "headers": headers})
    await send({"type": "http.response.body", "body": body})


def _with_headers(send: Send) -> Send:
    added = [
        (b"content-security-policy", CONTENT_POLICY.encode()),
        (b"x-content-type-options", b"nosniff"),
        (b"referrer-policy", b"no-referrer"),
    ]

    async def with_headers(message: MutableMapping[str, Any]) -> None:
        if message["type"] == "http.response.start":
            own = {key.lower() for key, _value in message.get("headers", [])}
            message["headers"] = [*message.get("headers", []), *(entry for entry in added if entry[0] not in own)]
        await send(message)

    return with_headers
