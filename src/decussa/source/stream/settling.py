"""The first seconds of a stream: kept back until it is known how its clock shakes, for only then are gaps told from it. Pure."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from decussa.model.sweep import SamplesUv
from decussa.source.stream.stamps import Stamps, Taken

#: Samples, shape (n_channels, n), their stamps in the sender's seconds, and when they came by our clock.
Piece = tuple[SamplesUv, NDArray[np.float64], float]


class Settling:
    """Keeps back what comes first.

    Parameters
    ----------
    rate_hz : float
        The rate that the stream announces.
    """

    def __init__(self, rate_hz: float) -> None:
        #: What follows the stream; once it is settled it begins anew, with what was learnt.
        self.stamps = Stamps(rate_hz)
        self.is_over = False
        self._kept: list[Piece] = []

    def pass_on(self, piece: Piece) -> list[Piece]:
        """Take a piece; return what may be taken now, in order."""
        if self.is_over:
            return [piece]
        self._kept.append(piece)
        self.stamps.take(piece[1], piece[2])
        if not self.stamps.settled:
            return []
        kept, self._kept, self.is_over = self._kept, [], True
        self.stamps = self.stamps.again()
        return kept


def fill_gaps(samples: SamplesUv, taken: Taken, most: int) -> tuple[SamplesUv, NDArray[np.float64]]:
    """Return a piece and its times with NaN in the places of missing samples, at most so many in one place."""
    if not taken.gaps:
        return samples, taken.stamps_s
    places = np.repeat([gap.at for gap in taken.gaps], [min(gap.missing, most) for gap in taken.gaps])
    stamps = np.insert(taken.stamps_s, places, np.nan)
    known = np.flatnonzero(np.isfinite(stamps))
    stamps = np.interp(np.arange(stamps.size), known, stamps[known])
    return np.insert(samples, places, np.nan, axis=1), stamps
