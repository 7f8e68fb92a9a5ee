"""A virtual person's signal in place of the streams of a study; what they do is told by a file in the study's folder.

Run in the server's process before the pages: ``import tests.screen.fake_feed``.
"""

from contextlib import contextmanager

import numpy as np

from decussa.model.errors import UsageError
from decussa.model.recording import Channel
from decussa.screen.signal_desk import SIGNALS
from decussa.source.live import FeedHealth

#: Holds ``contract MUSCLE``, ``rest``, ``missing`` or ``still``.
TOLD = "told.txt"


class Feed:
    """Muscles of the protocol and a trigger line that stays at rest."""

    def __init__(self, folder, labels):
        # Loaded only now: pages are not kept waiting for it.
        from decussa.source.virtual.bench_feed import VirtualFeed
        from decussa.source.virtual.montage import montage_for
        from decussa.source.virtual.person import VirtualParticipant

        self.folder = folder
        self.inner = VirtualFeed(VirtualParticipant(4, montage_for(labels)))
        self.channels = (*self.inner.channels, Channel(name="trigger", kind="trigger", rate_hz=5000.0, unit="V"))
        self.rate_hz = self.inner.rate_hz

    def recent_uv(self, seconds):
        self._hear()
        emg = self.inner.recent_uv(seconds)
        return np.concatenate([emg, np.zeros((1, emg.shape[1]), dtype=np.float32)])

    def health(self):
        words = ("EMG: the stream stands still since 3 s. Look at the sender.",) if told(self.folder) == "still" else ()
        return FeedHealth(samples=self.inner.health().samples, words=words)

    def _hear(self):
        verb, _, muscle = told(self.folder).partition(" ")
        self.inner.contract(25.0 if verb == "contract" else 0.0, only=muscle)


def told(folder):
    path = folder / TOLD
    return path.read_text(encoding="utf-8") if path.exists() else "rest"


@contextmanager
def open_fake(folder, protocol):
    if told(folder) == "missing":
        raise UsageError(
            "stream was not found", expected="a stream of type EMG", do="start its sender, then look again"
        )
    yield Feed(folder, [muscle.label for muscle in protocol.muscles])


SIGNALS.open_feed = open_fake
