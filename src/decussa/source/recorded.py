"""The sweep around one stimulus of a recording, as every source that answers from recordings returns it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from decussa.model.errors import RecordingError
from decussa.model.recording import Recording
from decussa.model.sweep import Sweep

#: Kept around each stimulus.
BEFORE_MS, AFTER_MS = 150.0, 450.0


def recorded_sweep(recording: Recording, place: int, rows: Sequence[int], names: Sequence[str]) -> Sweep:
    """Return the sweep from 150 ms before the first pulse to 450 ms after the test pulse.

    Parameters
    ----------
    place : int
        Which of the recording's events, from 0.
    rows : sequence of int
        Which of its channels.
    names : sequence of str
        What they are called in the sweep.

    Raises
    ------
    RecordingError
        If the rates of the channels differ.
    """
    event = recording.events[place]
    before = BEFORE_MS - event.stimulus.pulses[0].at_ms
    cuts = [recording.signals.cut(row, [event], before, AFTER_MS) for row in rows]
    if len({(cut.rate_hz, cut.samples_uv.shape) for cut in cuts}) > 1:
        raise RecordingError(
            "channels have different rates",
            where=recording.path,
            expected="one rate for all muscles",
            do="record them alike",
        )
    return Sweep(
        samples_uv=np.concatenate([cut.samples_uv for cut in cuts]),
        rate_hz=cuts[0].rate_hz,
        onset_sample=cuts[0].onset_sample,
        channels=tuple(names),
        shift_ms=float(cuts[0].shift_ms[0]),
    )
