"""The door to the pages where they are opened to the lab's network: who may come in, for how long, and to which places.

On this machine alone there is no door: whoever may use it may open the pages. On the network everybody enters with their
code and a pass phrase, over TLS; what a role may not open is refused. A wrong phrase locks the code for a while, see
``store.operators``.
"""

from __future__ import annotations

import secrets
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from http.cookies import CookieError, SimpleCookie
from pathlib import Path
from urllib.parse import parse_qs

from starlette.concurrency import run_in_threadpool
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from decussa.compose.preparing import who_acts
from decussa.model.errors import DecussaError
from decussa.screen.language import phrase
from decussa.screen.marks import crossing, text
from decussa.screen.visitor import ENTERED
from decussa.screen.words import error_words
from decussa.store.operators import Identity

#: Whoever has entered stays for a working day, in s; then the door asks again, also in a window that is open.
LASTS_S = 8 * 3600.0
#: A PIN of four digits does for signing at the desk; on a network a phrase of at least this many characters is asked for.
LEAST_PHRASE = 12
_COOKIE = "decussa_entry"
_ENTER, _LEAVE = "/enter", "/leave"
#: What needs no entry: the door itself and how it looks.
_OPEN = (_ENTER, "/assets/style.css")
_LONGEST_BODY = 4096
#: Places that a role may open besides the list of studies; a role that is not named may open every place.
_PLACES: Mapping[str, tuple[str, ...]] = {"reviewer": ("/read/", "/assets/", "/_nicegui")}


@dataclass(frozen=True, slots=True)
class _Entry:
    who: Identity
    until: float


class Door:
    """An ASGI middleware that lets in who entered, and asks everybody else to."""

    def __init__(self, app: ASGIApp, *, study: Path, now: Callable[[], float] = time.monotonic) -> None:
        self.app, self.study, self._now = app, study, now
        self._entries: dict[str, _Entry] = {}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass on what may pass; answer the rest here."""
        if scope["type"] not in ("http", "websocket") or scope["path"] in _OPEN[1:]:
            await self.app(scope, receive, send)
            return
        token = _token_of(scope)
        entry = self._entry(token)
        if scope["type"] == "websocket":
            if entry is None:
                await send({"type": "websocket.close", "code": 1008, "reason": "enter first"})
            else:
                await self.app({**scope, ENTERED: entry.who}, self._until(token, receive), send)
        elif scope["path"] == _ENTER and scope["method"] == "POST":
            await self._enter(receive, send)
        elif scope["path"] == _LEAVE:
            self._entries.pop(token, None)
            await _send(send, 303, "", (b"location", _ENTER.encode()), _cookie("", 0))
        elif entry is None:
            asked = (b"location", _ENTER.encode())
            await (_send(send, 200, _form("")) if scope["path"] == _ENTER else _send(send, 303, "", asked))
        elif not may_open(entry.who.role, scope["path"]):
            said = phrase("Your role ({role}) does not open this place.", role=entry.who.role)
            await _send(send, 403, _page(f'<p class="do">{text(said)}</p><p class="why"><a href="/">Decussa</a></p>'))
        else:
            await self.app({**scope, ENTERED: entry.who}, receive, send)

    async def _enter(self, receive: Receive, send: Send) -> None:
        fields = parse_qs(await _body(receive))
        code, words = (fields.get(name, [""])[0].strip() for name in ("code", "phrase"))
        problem = ""
        try:
            who = await run_in_threadpool(who_acts, self.study, code, words)
        except DecussaError as error:
            problem = " ".join(error_words(error))
        else:
            if not who.verified or len(words) < LEAST_PHRASE:
                problem = phrase(
                    "On the network a pass phrase of at least {count} characters is needed. Change yours at the machine itself.",
                    count=LEAST_PHRASE,
                )
        if problem:
            await _send(send, 403, _form(problem))
            return
        token = secrets.token_urlsafe(32)
        self._forget_old()
        self._entries[token] = _Entry(who, self._now() + LASTS_S)
        await _send(send, 303, "", (b"location", b"/"), _cookie(token, int(LASTS_S)))

    def _entry(self, token: str) -> _Entry | None:
        entry = self._entries.get(token)
        return entry if entry is not None and self._now() < entry.until else None

    def _forget_old(self) -> None:
        self._entries = {token: entry for token, entry in self._entries.items() if self._now() < entry.until}

    def _until(self, token: str, receive: Receive) -> Receive:
        """Return ``receive`` of a websocket that ends when the entry does."""

        async def receive_while_entered() -> Message:
            message = await receive()
            if self._entry(token) is None:
                return {"type": "websocket.disconnect", "code": 1008}
            return message

        return receive_while_entered


def may_open(role: str, path: str) -> bool:
    """Whether a role may open a place."""
    places = _PLACES.get(role)
    return places is None or path == "/" or path.startswith(places)


def _token_of(scope: Scope) -> str:
    given = next((value.decode("latin-1") for name, value in scope["headers"] if name.lower() == b"cookie"), "")
    try:
        morsel = SimpleCookie(given).get(_COOKIE)
    except CookieError:
        return ""
    return str(morsel.value) if morsel else ""


def _cookie(token: str, seconds: int) -> tuple[bytes, bytes]:
    words = f"{_COOKIE}={token}; Path=/; Max-Age={seconds}; Secure; HttpOnly; SameSite=Strict"
    return b"set-cookie", words.encode()


async def _body(receive: Receive) -> str:
    body = b""
    while True:
        message = await receive()
        body += bytes(message.get("body", b""))
        if len(body) > _LONGEST_BODY or not message.get("more_body"):
            return body[:_LONGEST_BODY].decode("utf-8", "replace")


async def _send(send: Send, status: int, page: str, *headers: tuple[bytes, bytes]) -> None:
    body = page.encode()
    kind = (b"content-type", b"text/html; charset=utf-8")
    length = (b"content-length", str(len(body)).encode())
    stored = (b"cache-control", b"no-store")
    await send({"type": "http.response.start", "status": status, "headers": [kind, length, stored, *headers]})
    await send({"type": "http.response.body", "body": body})


def _form(problem: str) -> str:
    said = f'<p class="mindbar" role="alert">{text(problem)}</p>' if problem else ""
    rule = phrase("Five wrong phrases in a row lock a code for five minutes.")
    return _page(
        f'<p class="do">{phrase("Who is there?")}</p>{said}<form method="post" action="{_ENTER}" class="entry">'
        f'<label for="code">{phrase("Your code")}</label>'
        '<input id="code" name="code" maxlength="12" required autofocus autocomplete="username">'
        f'<label for="phrase">{phrase("Pass phrase")}</label>'
        '<input id="phrase" name="phrase" type="password" maxlength="64" required autocomplete="current-password">'
        f'<button type="submit" class="btn go">{phrase("Enter")}</button></form><p class="under">{rule}</p>'
    )


def _page(inner: str) -> str:
    title = phrase("Enter")
    return (
        f'<!doctype html><html lang="en"><head><meta charset="utf-8"><title>{title} · Decussa</title>'
        '<meta name="viewport" content="width=device-width,initial-scale=1"><link rel="stylesheet" href="/assets/style.css">'
        f'</head><body><header class="top"><h1 class="vh">{title}</h1><span class="brand">{crossing(26)}<b>Decussa</b></span>'
        f'</header><main class="pad">{inner}</main></body></html>'
    )
