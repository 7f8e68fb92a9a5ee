"""A marker stream beside a device: its markers are noted, and are pulses where no trigger channel tells of them."""

from __future__ import annotations

from decussa.source.stream.device import DeviceFeed
from decussa.source.stream.library import Found, TextInlet


class MarkerFeed:
    """Follows one marker stream.

    Parameters
    ----------
    found : Found
        The stream.
    text : str
        How the marker of a pulse begins.
    feed : DeviceFeed
        The device whose samples the markers belong to.
    """

    def __init__(self, found: Found, text: str, feed: DeviceFeed) -> None:
        self._inlet, self._text, self._feed = TextInlet(found), text, feed
        self._clock_s = 0.0

    def pull(self) -> None:
        """Take what came; its user holds the lock of the device."""
        feed = self._feed
        for stamp_s, text in self._inlet.pull():
            at = feed.at(stamp_s + self._clock_s)
            feed.note(at, text)
            if feed.trigger_row < 0 and text.startswith(self._text):
                feed.cutter.mark(at)

    def set_clock(self) -> None:
        """Measure what is added to the sender's clock; the last value stays where that fails."""
        self._clock_s = self._inlet.correction(1.0) or self._clock_s

    def close(self) -> None:
        """Let the stream go."""
        self._inlet.close()
