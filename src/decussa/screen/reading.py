"""What the Read pages share: one review room for each session, and the windows that must hear of a change."""

from __future__ import annotations

import secrets
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from decussa.compose.looking import is_rehearsal
from decussa.compose.review_view import ReviewView, review_view
from decussa.compose.reviewing import ReviewRoom
from decussa.model.errors import UsageError
from decussa.screen.desk import Desk

#: Called with the rater and the muscle on which something was said, and the entry of the trial.
Hear = Callable[[str, str, int], None]


@dataclass(eq=False)
class Reading:
    """One session as the Read pages see it; ``windows`` hear of every change, whoever made it."""

    study: str
    room: ReviewRoom
    rehearsal: bool
    windows: list[Hear] = field(default_factory=list)
    _passes: dict[str, str] = field(default_factory=dict)
    _views: dict[tuple[str, str, bool, int], ReviewView] = field(default_factory=dict)

    @property
    def session(self) -> str:
        """Name of the session."""
        return self.room.session

    @property
    def participant(self) -> str:
        """Pseudonym of the participant."""
        return self.session.rpartition("-")[0]

    def admit(self, rater: str) -> str:
        """Return a pass for a rater who proved who they are; it holds until the program ends."""
        token = secrets.token_urlsafe(16)
        self._passes[token] = rater
        return token

    def may_review(self, rater: str, token: str) -> bool:
        """Whether a window may speak for a rater: anybody for one who proved nothing, else who holds a pass."""
        layer = self.room.layers.get(rater)
        return layer is not None and (not layer.verified or self._passes.get(token) == rater)

    def view(self, rater: str, muscle: str) -> ReviewView:
        """Return what a rater sees of a muscle; laid out once, for the sweeps never change."""
        layer = self.room.layers[rater]
        key = (rater, muscle, layer.blind, len(self.room.traces))
        if key not in self._views:
            self._views[key] = review_view(self.room, muscle, layer)
        return self._views[key]

    def tell(self, rater: str, muscle: str, entry: int) -> None:
        """Let every window hear of a change."""
        for hear in tuple(self.windows):
            hear(rater, muscle, entry)


class Shelf:
    """The sessions that are open for reading."""

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        self._open: dict[tuple[Path, str], Reading] = {}

    def session(self, study: str, session: str) -> Reading:
        """Return a session by the names of its study's folder and its own, with what was written since.

        Raises
        ------
        UsageError
            If there is no such study or session.
        """
        folder = self.desk.folder(study)
        if (folder, session) not in self._open:
            room = ReviewRoom(folder, session)
            self._open[folder, session] = Reading(study=study, room=room, rehearsal=is_rehearsal(session, room.entries))
            return self._open[folder, session]
        reading = self._open[folder, session]
        reading.room.look_again()
        return reading


def one_of(name: str, known: tuple[str, ...], what: str) -> str:
    """Return ``name`` if it is known, the first that is where none is asked for.

    Raises
    ------
    UsageError
        If it is not known.
    """
    if not name and known:
        return known[0]
    if name not in known:
        raise UsageError(f"there is no such {what} here", expected=", ".join(known) or "none yet", found=repr(name))
    return name
