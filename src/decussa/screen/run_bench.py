"""What Run knows of a live signal: where a contraction stands, whether a pulse may be asked for, what is wrong with a stream.

A contraction is followed by its torque where the stream has a torque channel and the torque of a maximal effort is known,
by its EMG otherwise.
"""

from __future__ import annotations

import math
import threading
import time
from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from decussa.compose.live_sessions import rehearsal_feed
from decussa.compose.signal_bench import level_uv, torque_channel, torque_level
from decussa.model.dialogue import Ask, Deliver
from decussa.session.effort import Effort, follow_effort
from decussa.session.holding import Band, Holding, follow
from decussa.session.operator import Write
from decussa.source.live import InventedFeed
from decussa.store.records import TorqueRange

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
        self.effort = Effort()
        self._effort_asked: Ask | None = None
        self._followed: tuple[str, float, bool] | None = None
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
        if request.contraction_pct <= 0 or not self._can_follow(request.muscle):
            return True
        holding = self.holding
        return self._followed == self._what(request) and holding is not None and holding.state == "steady"

    def most_uv(self, muscle: str) -> float:
        """Return the EMG of a muscle's maximal contraction in µV RMS; NaN where it is not known."""
        found = self._live.view.results.get(f"{muscle}/mvc")
        return found.value if found is not None and found.value > 0 else math.nan

    @property
    def has_torque(self) -> bool:
        """Whether the signal that is followed has a torque channel."""
        return self._feed is not None and torque_channel(self._feed) is not None

    def torque_of(self, muscle: str) -> TorqueRange | None:
        """Return the torque that a contraction of a muscle is followed by; None where it is followed by its EMG."""
        return self._live.view.torque.get(muscle) if self.has_torque else None

    def _can_follow(self, muscle: str) -> bool:
        if self._feed is None:
            return False
        return self.torque_of(muscle) is not None or not math.isnan(self.most_uv(muscle))

    def _what(self, request: Deliver) -> tuple[str, float, bool]:
        """Return what is followed: a hold of one of them counts for no other."""
        return request.muscle, request.contraction_pct, self.torque_of(request.muscle) is not None

    def _level_pct(self, feed: LiveFeed, muscle: str) -> float:
        """Return where a contraction stands, in % of the maximal one."""
        known = self.torque_of(muscle)
        if known is None:
            return 100 * self.level_uv / self.most_uv(muscle)
        return 100 * (torque_level(feed)[0] - known.rest) / (known.most - known.rest)

    def wanted(self) -> Deliver | None:
        """Return the stimulus with a contraction that the page shows, if it shows one."""
        turn = self._live.turn
        request = turn.request if turn.kind in ("request", "pulse") else None
        return request if isinstance(request, Deliver) and request.contraction_pct > 0 else None

    def look(self) -> None:
        """Take in the level of the muscle that is to be contracted now, if one is; called again and again."""
        request, feed = self.wanted(), self._feed
        if feed is not None:
            self._look_at_effort(feed)
        if isinstance(feed, InventedFeed):
            # An effort is held against the rest before it: the invented person begins once that was seen.
            begins = self._effort_asked is not None and not math.isnan(self.effort.quiet_uv)
            asked_pct = 100.0 if begins else 0.0
            feed.hold(asked_pct if request is None else request.contraction_pct)
        if request is None or feed is None:
            self.holding, self.level_uv, self._followed = None, math.nan, None
            return
        if self.holding is None or self._followed != self._what(request):
            self._followed, self.holding = self._what(request), Holding(band=Band.around(request.contraction_pct))
        self.level_uv = level_uv(feed, request.muscle)
        self.holding = follow(self.holding, self._level_pct(feed, request.muscle), time.monotonic())

    def effort_wanted(self) -> Ask | None:
        """Return the maximal effort that the page asks for, if it asks for one."""
        request = self._live.turn.request
        return request if isinstance(request, Ask) and request.key == "mvc" else None

    def _look_at_effort(self, feed: LiveFeed) -> None:
        """Follow a maximal effort while it is asked for; write down its torque once it is over."""
        asked, before = self.effort_wanted(), self._effort_asked
        if before is not None and asked != before:
            self._keep_torque(before)
        if asked is None:
            self._effort_asked = None
            return
        if asked != before:
            self._effort_asked, self.effort = asked, Effort()
        self.effort = follow_effort(self.effort, level_uv(feed, asked.muscle), *torque_level(feed))

    def _keep_torque(self, asked: Ask) -> None:
        effort = self.effort
        torque = None if self._feed is None else torque_channel(self._feed)
        if torque is None or not effort.has_torque:
            return
        rest, most = round(effort.rest, 4), round(effort.most, 4)
        self._live.operator.want(
            Write(TorqueRange(muscle=asked.muscle, step=asked.step, rest=rest, most=most, unit=torque[1].unit))
        )

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
