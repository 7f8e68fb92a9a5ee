"""The page's hands: keys, presses and forms, each sent with the turn it was meant for."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from nicegui import ui
from nicegui.element import Element

#: No hand means more in a second; what a window sends beyond is dropped, but never a stop.
MOST_A_SECOND = 40
STOP = "stop"
#: Longest text of a field that is heard: a whole protocol fits.
LONGEST_FIELD = 40_000


@dataclass(frozen=True, slots=True)
class Act:
    """What was meant: the act's name, the turn the page showed, and the fields of a form."""

    name: str
    turn: int
    fields: Mapping[str, str]


class Hands(Element, component="assets/hands.js"):
    """Sends what keys, buttons and forms mean; ``hold`` says which keys mean what, for which turn."""

    def __init__(self, on_act: Callable[[Act], None]) -> None:
        super().__init__()
        self._props.update(keys={}, turn=0)
        self._heard: deque[float] = deque(maxlen=MOST_A_SECOND)
        self._on_act = on_act
        self.on("act", lambda event: self.hear(_read(event.args)))

    def hear(self, act: Act) -> None:
        """Have an act carried out, unless the window sends more than a hand could."""
        now = time.monotonic()
        if act.name != STOP and len(self._heard) == MOST_A_SECOND and now - self._heard[0] < 1.0:
            return
        self._heard.append(now)
        self._on_act(act)

    def hold(self, keys: Mapping[str, str], turn: int) -> None:
        """Take the meaning of keys, and the turn they are meant for."""
        if self._props["keys"] != keys or self._props["turn"] != turn:
            self._props.update(keys=dict(keys), turn=turn)
            self.update()


def follow(to: Mapping[str, str]) -> Callable[[Act], None]:
    """Return what leads to the address of the act that was meant, for pages whose keys only lead elsewhere."""

    def go(act: Act) -> None:
        if act.name in to:
            ui.navigate.to(to[act.name])

    return go


def _read(args: Any) -> Act:
    """Read what the page sent, which anybody on this machine may have written."""
    given = args if isinstance(args, dict) else {}
    fields = given.get("fields")
    turn = given.get("turn")
    return Act(
        name=str(given.get("act", "")),
        turn=turn if isinstance(turn, int) else -1,
        fields={str(name): str(value)[:LONGEST_FIELD] for name, value in fields.items()}
        if isinstance(fields, dict)
        else {},
    )
