"""What Run knows of a live signal: where a contraction stands, whether a pulse may be asked for, what is wrong with a stream."""

from __future__ import annotations

import math
import threading
import time
from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from decussa.compose.live_sessions import rehearsal_feed
from decussa.compose.signal_bench import level_uv
from decussa.model.dialogue import Deliver
from decussa.session.holding import Band, Holding, follow

if TYPE_CHECKING:
    from decussa.screen.running import LiveSession
    from decussa.source.live import LiveFeed
    from decussa.source.virtual.bench_feed import VirtualFeed

#: How often the live signal is looked at, and for how long words about it stay on the page, in s.
LOOK_S, WORDS_S = 0.1, 20.0


class RunBench:
    """Follows the live signal of one session, in a thread of its own while there is one."""

    def __init__(self, live: LiveSession) -> None:
        self._live = live
        self._feed: LiveFeed | None = None
        self._own: VirtualFeed | None = None
        self.holding: Holding | None = None
        self.level_uv = math.nan
        self._asked: tuple[str, float] = ("", 0.0)
        self._words: deque[tuple[float, str]] = deque(maxlen=5)
        self._over = threading.Event()

    @contextmanager
    def following(self) -> Iterator[None]:
        """Follow the signal from here to the end of the block."""
        self._over.clear()
        thread = threading.Thread(target=self._follow_on, daemon=True, name=f"{self._live.session}, bench")
        thread.start()
        try:
            yield
        finally:
            self._over.set()
            thread.join(5.0)
            self._feed = self.holding = None

    def show(self, feed: LiveFeed | None) -> None:
        """Take the feed of a session that is running, or let it go."""
        self._feed = feed

    def hear(self, words: str) -> None:
        """Take words about a stream, from any thread."""
        self._words.append((time.monotonic(), words))

    def words(self) -> tuple[str, ...]:
        """Return what is wrong with the stream now, and what was said of it in the last seconds."""
        feed, now = self._feed, time.monotonic()
        lately = [words for at, words in tuple(self._words) if now - at < WORDS_S]
        return tuple(dict.fromkeys([*(feed.health().words if feed is not None else ()), *lately]))

    def may_ask(self, request: Deliver) -> bool:
        """Return whether a stimulus may be asked for now: a contraction that can be followed must be steady in its band."""
        if request.contraction_pct <= 0 or self._feed is None or math.isnan(self.most_uv(request.muscle)):
            return True
        holding = self.holding
        return (
            self._asked == (request.muscle, request.contraction_pct)
            and holding is not None
            and holding.state == "steady"
        )

    def most_uv(self, muscle: str) -> float:
        """Return the EMG of a muscle's maximal contraction in µV RMS; NaN where it is not known."""
        found = self._live.view.results.get(f"{muscle}/mvc")
        return found.value if found is not None and found.value > 0 else math.nan

    def wanted(self) -> Deliver | None:
        """Return the stimulus with a contraction that the page shows, if it shows one."""
        turn = self._live.turn
        request = turn.request if turn.kind in ("request", "pulse") else None
        return request if isinstance(request, Deliver) and request.contraction_pct > 0 else None

    def look(self) -> None:
        """Take in the level of the muscle that is to be contracted now, if one is; called again and again."""
        request, feed = self.wanted(), self._feed
        if request is None or feed is None:
            self.holding, self.level_uv, self._asked = None, math.nan, ("", 0.0)
            return
        asked = (request.muscle, request.contraction_pct)
        if asked != self._asked or self.holding is None:
            self._asked, self.holding = asked, Holding(band=Band.around(request.contraction_pct))
        self.level_uv = level_uv(feed, request.muscle)
        level_pct = 100 * self.level_uv / self.most_uv(request.muscle)
        self.holding = follow(self.holding, level_pct, time.monotonic())

    def look_at_rehearsal(self) -> None:
        """Do the same in a rehearsal: the virtual person holds what is asked for while it is asked for."""
        request = self.wanted()
        if request is not None and self._own is None:
            self._own = rehearsal_feed(self._live.folder, self._live.session)
        self._feed = self._own if request is not None else None
        if self._own is not None:
            self._own.contract(request.contraction_pct if request is not None else 0.0)
        self.look()

    def _follow_on(self) -> None:
        look = self.look_at_rehearsal if self._live.rehearsal else self.look
        while not self._over.wait(LOOK_S):
            try:
                look()
            except Exception as error:  # noqa: BLE001 the thread's border: a failing look never stops a session
                self.holding = None
                self.hear(f"The live signal cannot be looked at: {type(error).__name__}.")
