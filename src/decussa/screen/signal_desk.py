"""The live feeds that Prepare looks at: one for each study, opened when somebody asks, closed when nobody looks any more."""

from __future__ import annotations

import threading
import time
from contextlib import AbstractContextManager, ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

from decussa.protocol.schema import Protocol

if TYPE_CHECKING:
    from decussa.compose.feeds import OpenFeed
    from decussa.compose.signal_bench import SignalBench
    from decussa.source.live import LiveFeed

#: A feed that no window looked at for so long is closed, in s: streams are not followed for nobody.
UNSEEN_S = 120.0


class _OpenBench:
    """A bench, what closes its feed, and when somebody looked last."""

    def __init__(self, bench: SignalBench, closing: ExitStack) -> None:
        self.bench, self.closing, self.seen = bench, closing, time.monotonic()


def open_streams(folder: Path, protocol: Protocol) -> AbstractContextManager[LiveFeed]:
    """Open the streams of a study; what that needs is loaded only now."""
    from decussa.compose import feeds

    return feeds.open_streams(folder, protocol)


class SignalDesk:
    """Benches by study folder; every method may be called from any thread."""

    def __init__(self, open_feed: OpenFeed = open_streams) -> None:
        self.open_feed = open_feed
        self._open: dict[Path, _OpenBench] = {}
        self._lock = threading.Lock()

    def begin(self, folder: Path, protocol: Protocol) -> None:
        """Open the feed of a study, unless it is open; takes as long as streams are looked for.

        Raises
        ------
        DecussaError
            As the feed's opener does.
        """
        from decussa.compose.signal_bench import SignalBench

        with self._lock:
            if folder in self._open:
                return
            closing = ExitStack()
            feed = closing.enter_context(self.open_feed(folder, protocol))
            self._open[folder] = _OpenBench(SignalBench(feed, protocol), closing)
            threading.Thread(target=self._watch, args=(folder,), daemon=True, name="signal desk").start()

    def bench(self, folder: Path) -> SignalBench | None:
        """Return the bench of a study where its feed is open, and note that somebody looks."""
        known = self._open.get(folder)
        if known is None:
            return None
        known.seen = time.monotonic()
        return known.bench

    def end(self, folder: Path) -> None:
        """Close the feed of a study: a session is about to open it, or nobody looks any more."""
        with self._lock:
            known = self._open.pop(folder, None)
        if known is not None:
            known.closing.close()

    def _watch(self, folder: Path) -> None:
        while (known := self._open.get(folder)) is not None:
            if time.monotonic() - known.seen > UNSEEN_S:
                self.end(folder)
                return
            time.sleep(1.0)


#: The desk of this program; tests put another opener in its place.
SIGNALS = SignalDesk()
