"""Converter steps of EDF and BDF files as microvolts, in one pass over their bytes."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from decussa.measuring.compiled import compiled
from decussa.model.sweep import SamplesUv

#: Bytes kept free before samples, so that each can be seen as a word that starts a byte early.
LEAD = 1


def scale_bytes(held: bytearray, width: int, gain: float, zero: float, samples_uv: SamplesUv) -> None:
    """Fill ``samples_uv``, of any shape, from little-endian samples of ``width`` 2 or 3 bytes that start after ``LEAD`` bytes.

    A step of 0 is ``zero`` microvolts, each further step adds ``gain``; reckoned in float64, kept as float32.
    """
    out = samples_uv.reshape(-1)
    if width == 2:
        _scale(np.frombuffer(held, dtype="<i2", offset=LEAD), 0, gain, zero, out)
        return
    # Each sample is seen as a word that starts a byte early: the shift drops that byte and brings the sign along.
    _scale(np.ndarray((out.size,), dtype="<i4", buffer=held, offset=LEAD - 1, strides=(3,)), 8, gain, zero, out)


@compiled
def _scale(
    words: NDArray[np.int16] | NDArray[np.int32], shift: int, gain: float, zero: float, samples_uv: SamplesUv
) -> None:
    for k in range(samples_uv.size):
        samples_uv[k] = (words[k] >> shift) * gain + zero
