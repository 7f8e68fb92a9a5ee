"""Opens what can be looked at live: the streams that a study listens to, or those of a session that is running."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from decussa.model.recording import Channel
from decussa.protocol.schema import Protocol
from decussa.source.live import FeedHealth, LiveFeed
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
    """The first device of an open stream source as it can be looked at: its muscles, then its trigger."""

    def __init__(self, source: StreamSource) -> None:
        self._source = source

    @property
    def channels(self) -> tuple[Channel, ...]:
        """EMG channels, then the trigger where there is one."""
        first = self._source.devices[0]
        return tuple(first.device.wired[row].channel for row in self._rows())

    @property
    def rate_hz(self) -> float:
        """Rate of the first device."""
        return self._source.devices[0].rate_hz

    def recent_uv(self, seconds: float) -> NDArray[np.float32]:
        """Return the last ``seconds``, shape (n_channels, n_samples); NaN where samples were lost."""
        first = self._source.devices[0]
        with self._source.changed:
            ring = first.cutter.ring
            start = max(ring.end - round(seconds * first.rate_hz), ring.start)
            return np.array(ring.read(start, ring.end)[list(self._rows())], dtype=np.float32)

    def health(self) -> FeedHealth:
        """Return how the first device's stream fares."""
        return self._source.devices[0].health()

    def _rows(self) -> tuple[int, ...]:
        first = self._source.devices[0]
        return (*first.emg_rows, *((first.trigger_row,) if first.trigger_row >= 0 else ()))
