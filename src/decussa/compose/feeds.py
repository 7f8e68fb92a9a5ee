"""Opens what can be looked at live: the streams that a study listens to, or those of a session that is running."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from decussa.model.recording import Channel
from decussa.protocol.schema import Protocol
from decussa.source.live import FeedHealth, LiveFeed
from decussa.source.stream.device import DeviceFeed
from decussa.source.stream.settings import StreamSettings, read_settings
from decussa.source.stream.source import StreamSource

#: The file beside a study's protocol that says which streams it listens to.
STREAMS_FILE = "streams.toml"
#: Opens the feed of a study; a test may put another in its place.
OpenFeed = Callable[[Path, Protocol], AbstractContextManager[LiveFeed]]


def stream_settings(folder: Path) -> StreamSettings:
    """Return which streams a study listens to; guessed from channel labels where its folder has no ``streams.toml``.

    Raises
    ------
    UsageError
        If the file cannot be meant as it stands.
    """
    path = folder / STREAMS_FILE
    if not path.exists():
        return StreamSettings()
    return read_settings(path.read_text(encoding="utf-8"), where=STREAMS_FILE)


@contextmanager
def open_streams(folder: Path, protocol: Protocol) -> Iterator[LiveFeed]:
    """Open the streams of a study to look at them: nothing is asked for and nothing is kept.

    Raises
    ------
    UsageError
        If a stream is missing or it is not clear which is meant.
    MissingPartError
        If the streaming library is not installed.
    """
    with StreamSource(stream_settings(folder), [muscle.label for muscle in protocol.muscles]) as source:
        yield StreamFeed(source)


class StreamFeed:
    """The devices of an open stream source as they can be looked at: the muscles of all, then trigger and torque.

    Devices are laid side by side by what came last, not by their clocks: near enough to look at. What has not come since a
    device stands still is missing.
    """

    def __init__(self, source: StreamSource) -> None:
        self._source = source

    @property
    def channels(self) -> tuple[Channel, ...]:
        """EMG channels, then trigger and torque where there are any."""
        return tuple(feed.device.wired[row].channel for feed, rows in self._parts() for row in rows)

    @property
    def rate_hz(self) -> float:
        """Rate of the first device."""
        return self._source.devices[0].rate_hz

    def recent_uv(self, seconds: float) -> NDArray[np.float32]:
        """Return the last ``seconds``, shape (n_channels, n_samples); NaN where samples were lost."""
        with self._source.changed:
            pieces = [self._last(feed, seconds)[list(rows)] for feed, rows in self._parts()]
        count = min(piece.shape[1] for piece in pieces)
        return np.concatenate([piece[:, piece.shape[1] - count :] for piece in pieces])

    def health(self) -> FeedHealth:
        """Return how the first device's stream fares, with words about every device."""
        feeds = {id(feed): feed for feed, _ in self._parts()}.values()
        said = [words for feed in feeds for words in feed.health().words]
        return replace(self._source.devices[0].health(), words=tuple(said))

    def hold(self, pct: float) -> None:
        """Tell an invented person what to hold, in % MVC."""
        self._source.hold(pct)

    def _parts(self) -> list[tuple[DeviceFeed, tuple[int, ...]]]:
        """Return which rows of which device are looked at, in the order of the channels."""
        first, torque = self._source.devices[0], self._source.torque or self._source.devices[0]
        parts = [(feed, feed.emg_rows) for feed in self._source.devices]
        parts += [(first, (first.trigger_row,))] if first.trigger_row >= 0 else []
        parts += [(torque, (torque.torque_row,))] if torque.torque_row >= 0 else []
        return parts

    def _last(self, feed: DeviceFeed, seconds: float) -> NDArray[np.float32]:
        """Return the last seconds of all rows of a device, at the rate of the first."""
        ring = feed.cutter.ring
        silent_s = feed.silent_s if feed.silent_s > self._source.settings.stall_s else 0.0
        stop = ring.end + round(silent_s * feed.rate_hz)
        recent = ring.read(max(stop - round(seconds * feed.rate_hz), ring.start), stop)
        if feed.rate_hz == self.rate_hz:
            return recent
        count = round(recent.shape[1] * self.rate_hz / feed.rate_hz)
        places = np.arange(count) * feed.rate_hz / self.rate_hz
        return recent[:, np.minimum(places.astype(int), recent.shape[1] - 1)]
