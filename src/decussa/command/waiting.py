"""The wait for a pulse in the terminal: the operator may say that none will come."""

from __future__ import annotations

import os
import select
import sys
import termios
import threading
from collections.abc import Callable
from typing import TextIO

import typer

from decussa.model.dialogue import Deliver

#: How often it is looked whether the wait is over, in s.
_LOOK_S = 0.1
_NO_PULSE = "n"


class TerminalWatch:
    """Hears while a pulse is waited for; what is typed then is for nothing else. Where nobody types, nothing is read.

    Parameters
    ----------
    keys : TextIO, optional
        Where the operator types; the standard input where omitted.
    """

    def __init__(self, keys: TextIO | None = None) -> None:
        self._keys = sys.stdin if keys is None else keys
        self._over = threading.Event()
        self._thread: threading.Thread | None = None
        self._told = False

    def await_pulse(self, request: Deliver, number: int, give_up: Callable[[], None]) -> None:  # noqa: ARG002
        """Listen for the word that ends the wait."""
        if not self._keys.isatty():
            return
        if not self._told:
            typer.echo("  While a pulse is waited for, n and Enter says that none will come.")
            self._told = True
        termios.tcflush(self._keys.fileno(), termios.TCIFLUSH)  # what was typed before is about something else
        self._over.clear()
        self._thread = threading.Thread(target=self._listen, args=(give_up,), daemon=True, name="terminal watch")
        self._thread.start()

    def pulse_over(self) -> None:
        """Listen no longer."""
        self._over.set()
        if self._thread is not None:
            self._thread.join()
            self._thread = None

    def _listen(self, give_up: Callable[[], None]) -> None:
        place = self._keys.fileno()
        while not self._over.is_set():
            if not select.select([place], [], [], _LOOK_S)[0]:
                continue
            typed = os.read(place, 1024)
            if not typed:
                return
            if typed.decode(errors="replace").strip().lower() == _NO_PULSE:
                give_up()
