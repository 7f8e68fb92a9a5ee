"""Samples and annotations into a BDF+ file: 24 bits, header without a name."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import date, datetime
from pathlib import Path

import edfio
import numpy as np

from decussa.model.errors import UsageError
from decussa.model.recording import Channel
from decussa.model.sweep import SamplesUv

#: Advised greatest size of a data record: Kemp et al. 1992, doi 10.1016/0013-4694(92)90009-7.
_RECORD_BYTES = 61440
_FIELD_WIDTH = 8
_NICE = (1, 2, 5)


def write_bdf(
    path: Path,
    samples_uv: SamplesUv,
    rate_hz: float,
    channels: Sequence[Channel],
    *,
    annotations: Sequence[tuple[float, str]] = (),
    participant: str = "X",
    start: datetime | None = None,
) -> None:
    """Write a BDF+ file.

    Parameters
    ----------
    samples_uv : ndarray of float32, shape (n_channels, n_samples), microvolt
        Or the channel's own unit where it is no EMG.
    channels : sequence of Channel
        ``low_uv`` and ``high_uv`` become the physical range; where infinite, one that holds the samples.
    annotations : sequence of (seconds, text)
        In order of time.

    Raises
    ------
    UsageError
        If samples lie outside their range or are not finite, or the length fits no data record.
    """
    if len(channels) != samples_uv.shape[0]:
        raise UsageError("channels do not fit the samples", expected=f"{samples_uv.shape[0]}", found=f"{len(channels)}")
    signals = [
        edfio.BdfSignal(
            samples.astype(np.float64),
            rate_hz,
            label=channel.name,
            physical_dimension="uV" if channel.kind == "emg" else channel.unit,
            physical_range=_range(channel, samples),
        )
        for channel, samples in zip(channels, samples_uv, strict=True)
    ]
    edfio.Bdf(
        signals,
        patient=edfio.Patient(code=participant),
        recording=edfio.Recording(startdate=start.date() if start else date(1985, 1, 1)),
        starttime=start.time() if start else None,
        data_record_duration=_record_samples(samples_uv.shape[1], len(channels), rate_hz) / rate_hz,
        annotations=[edfio.EdfAnnotation(onset_s, None, text) for onset_s, text in annotations],
    ).write(path)


def _range(channel: Channel, samples: SamplesUv) -> tuple[float, float]:
    """Return the physical range; a rounded text in the header would change the gain, so it must print exactly."""
    least, most = float(samples.min()), float(samples.max())
    if not (math.isfinite(least) and math.isfinite(most)):
        raise UsageError(f"channel {channel.name} holds samples that are not finite", do="write only what was recorded")
    low, high = channel.low_uv, channel.high_uv
    if not (math.isfinite(low) and math.isfinite(high)):
        high = _nice_above(max(abs(least), abs(most)))
        low = -high
    if least < low or most > high:
        raise UsageError(
            f"channel {channel.name} exceeds its range", expected=f"{low:g} to {high:g}", found=f"{least:g} to {most:g}"
        )
    for end in (low, high):
        if float(f"{end:.{_FIELD_WIDTH}g}"[:_FIELD_WIDTH]) != end:
            raise UsageError(
                f"range of channel {channel.name} does not fit the header", expected="8 characters", found=repr(end)
            )
    return low, high


def _nice_above(value: float) -> float:
    """Return the least of 1, 2, 5, 10, 20, ... from 1 that is not below ``value``."""
    decade = 1
    while True:
        for step in _NICE:
            if step * decade >= value:
                return float(step * decade)
        decade *= 10


def _record_samples(n_samples: int, n_channels: int, rate_hz: float) -> int:
    """Return the samples of a data record: the most that are advised, fill the file exactly and last a plain time."""
    limit = min(n_samples, _RECORD_BYTES // 3 // n_channels, math.floor(rate_hz))
    for count in range(limit, 0, -1):
        if n_samples % count == 0 and float(f"{count / rate_hz:.6g}") == count / rate_hz:
            return count
    raise UsageError("length fits no data record", expected="a whole number of records", found=f"{n_samples} samples")
