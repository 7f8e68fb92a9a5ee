"""Stands before every page: who may ask, how often, and what a browser may do with the answer.

A page of another site can make a browser ask this program for something, or point a name of its own at this machine (DNS
rebinding). So the Host must be this program's own, an Origin where there is one must be its own, a websocket must name its
Origin, and a browser that says "cross-site" is believed. Fetch metadata and Origin are as in the W3C's Fetch Metadata and
RFC 6454; the headers sent along follow Content Security Policy Level 3.
"""

from __future__ import annotations

import hmac
import secrets
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from http.cookies import CookieError, SimpleCookie

from starlette.types import ASGIApp, Message, Receive, Scope, Send

#: Requests that a client may make at once, and per second from then on; a page asks for about 40 files when it opens.
BURST = 240.0
PER_SECOND = 60.0
_COOKIE = "decussa_window"
_CLIENTS_KEPT = 1000


class Bucket:
    """Lets so many through at once and so many per second from then on."""

    def __init__(self, burst: float, per_second: float, now: Callable[[], float] = time.monotonic) -> None:
        self._burst, self._per_second, self._now = burst, per_second, now
        self._left, self._at = burst, now()

    def take(self) -> bool:
        """Whether one more may pass."""
        now = self._now()
        self._left = min(self._burst, self._left + (now - self._at) * self._per_second)
        self._at = now
        if self._left < 1:
            return False
        self._left -= 1
        return True


@dataclass(frozen=True, slots=True)
class _Refusal:
    status: int
    words: str


class Guard:
    """An ASGI middleware: refuses what does not come from this program's own pages, and too much of it."""

    def __init__(self, app: ASGIApp, *, hosts: tuple[str, ...], tls: bool = False) -> None:
        self.app = app
        self.hosts = hosts
        self._http, self._socket = ("https", "wss") if tls else ("http", "ws")
        self.origins = tuple(f"{self._http}://{host}" for host in hosts)
        self._secret = secrets.token_bytes(32)
        self._buckets: dict[str, Bucket] = {}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Refuse, or pass on with the headers that bind the browser."""
        if scope["type"] not in ("http", "websocket"):
            await self.app(scope, receive, send)
            return
        headers = {name.decode("latin-1").lower(): value.decode("latin-1") for name, value in scope["headers"]}
        window = self._window(headers)
        refusal = self._judge(scope, headers, window)
        if refusal is None:
            await self.app(scope, receive, self._binding(scope, send, headers.get("host", ""), new=not window))
        elif scope["type"] == "websocket":
            await send({"type": "websocket.close", "code": 1008, "reason": refusal.words})
        else:
            await _answer(send, refusal)

    def _judge(self, scope: Scope, headers: Mapping[str, str], window: str) -> _Refusal | None:
        if headers.get("host") not in self.hosts:
            return _Refusal(421, "This program answers only to its own address on this machine.")
        origin = headers.get("origin")
        if (origin is None and scope["type"] == "websocket") or (origin is not None and origin not in self.origins):
            return _Refusal(403, "Asked for by another site: refused.")
        site = headers.get("sec-fetch-site", "same-origin")
        if site not in ("same-origin", "none") and not _is_followed_link(scope, headers):
            return _Refusal(403, "Asked for by another site: refused.")
        if not self._bucket(window or f"from {(scope.get('client') or ('',))[0]}").take():
            return _Refusal(429, "Too many requests at once. Wait a few seconds; a running session is not touched.")
        return None

    def _window(self, headers: Mapping[str, str]) -> str:
        """Return the mark of the browser, where it carries one that was given here; a flood without one does not share it."""
        try:
            morsel = SimpleCookie(headers.get("cookie", "")).get(_COOKIE)
        except CookieError:
            return ""
        name, _, proof = (morsel.value if morsel else "").partition(".")
        return name if name and hmac.compare_digest(proof, self._proof(name)) else ""

    def _proof(self, name: str) -> str:
        return hmac.new(self._secret, name.encode(), "sha256").hexdigest()

    def _bucket(self, window: str) -> Bucket:
        if window not in self._buckets:
            if len(self._buckets) >= _CLIENTS_KEPT:
                self._buckets.pop(next(iter(self._buckets)))
            self._buckets[window] = Bucket(BURST, PER_SECOND)
        return self._buckets[window]

    def _binding(self, scope: Scope, send: Send, host: str, *, new: bool) -> Send:
        """Return ``send`` with what binds the browser: only this program's own content, no frame, no referrer elsewhere."""
        if scope["type"] != "http":
            return send
        bound = [(name.encode(), value.encode()) for name, value in _headers(f"{self._socket}://{host}").items()]
        if new and scope["path"].count("/_nicegui") == 0:
            name = secrets.token_urlsafe(12)
            cookie = f"{_COOKIE}={name}.{self._proof(name)}; Path=/; HttpOnly; SameSite=Strict"
            bound.append((b"set-cookie", cookie.encode()))

        async def send_bound(message: Message) -> None:
            if message["type"] == "http.response.start":
                message = {**message, "headers": [*message.get("headers", ()), *bound]}
            await send(message)

        return send_bound


def _is_followed_link(scope: Scope, headers: Mapping[str, str]) -> bool:
    """Whether somebody followed a link to a page, which changes nothing here."""
    return (
        scope.get("method") == "GET"
        and headers.get("sec-fetch-mode") == "navigate"
        and headers.get("sec-fetch-dest") == "document"
        and not scope["path"].startswith("/_nicegui")
    )


def _headers(socket: str) -> Mapping[str, str]:
    # Pages build their own components from text, hence 'unsafe-eval' and 'unsafe-inline'; nothing foreign can be loaded.
    own = f"'self' {socket}"
    policy = (
        "default-src 'self'; script-src 'self' 'unsafe-inline' 'unsafe-eval'; style-src 'self' 'unsafe-inline'; "
        f"img-src 'self' data: blob:; font-src 'self' data:; connect-src {own}; object-src 'self'; frame-src 'self' blob:; "
        "base-uri 'none'; form-action 'self'; frame-ancestors 'self'"
    )
    return {
        "content-security-policy": policy,
        "x-content-type-options": "nosniff",
        "x-frame-options": "SAMEORIGIN",
        # Not "no-referrer": with that a browser sends no Origin along with a form, and the form is refused.
        "referrer-policy": "same-origin",
        "cross-origin-opener-policy": "same-origin",
        "cross-origin-resource-policy": "same-origin",
    }


async def _answer(send: Send, refusal: _Refusal) -> None:
    words = refusal.words.encode()
    headers = [(b"content-type", b"text/plain; charset=utf-8"), (b"content-length", str(len(words)).encode())]
    if refusal.status == 429:
        headers.append((b"retry-after", b"5"))
    await send({"type": "http.response.start", "status": refusal.status, "headers": headers})
    await send({"type": "http.response.body", "body": words})
