"""Times and units in column names and columns of text recordings."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from decussa.model.errors import RecordingError
from decussa.model.units import microvolt_factor
from decussa.recording.edf_header import GREATEST_RATE_HZ

#: How much a step may differ from the others before the times are no longer those of one rate: rounded times differ.
_UNEVEN = 0.25


def rate_of_times(times_ms: NDArray[np.float64], path: Path) -> float:
    """Return the sampling rate in Hz from the times of successive samples.

    Raises
    ------
    RecordingError
        If there are fewer than two, or they do not run evenly.
    """
    if times_ms.size < 2 or not np.isfinite(times_ms).all():
        raise RecordingError("times are missing", where=path, expected="a time for each of two or more samples")
    step_ms = (times_ms[-1] - times_ms[0]) / (times_ms.size - 1)
    steps = np.diff(times_ms)
    if step_ms <= 0 or np.any(np.abs(steps - step_ms) > _UNEVEN * step_ms):
        wrong = int(np.argmax(np.abs(steps - step_ms)))
        raise RecordingError(
            "times do not run evenly",
            where=path,
            expected=f"steps of {step_ms:.6g} ms" if step_ms > 0 else "times that rise",
            found=f"{steps[wrong]:.6g} ms after {times_ms[wrong]:.6g} ms",
            do="export the samples at one sampling rate, without gaps",
        )
    if 1e3 / step_ms > GREATEST_RATE_HZ:
        raise RecordingError(
            "times are too close", where=path, expected="steps of 0.001 ms or more", found=f"{step_ms:g} ms"
        )
    # Written times are rounded; a rate within a millionth of a whole number is that number.
    rate_hz = 1e3 / step_ms
    return float(round(rate_hz)) if abs(rate_hz - round(rate_hz)) < 1e-6 * rate_hz else float(rate_hz)


def split_unit(column: str) -> tuple[str, str]:
    """Return a channel's name and unit from a column such as ``FCR_uv`` or ``FCR (mV)``; no unit where it has none."""
    found = re.fullmatch(r"(.+?)[ _]*[(\[]([^)\]]+)[)\]]|(.+)_(v|mv|uv|nv|V|mV|uV|nV|µV|μV|µv|μv)", column.strip())
    if found is None:
        return column.strip(), ""
    name, unit = (found[1], found[2]) if found[1] else (found[3], found[4])
    try:
        microvolt_factor(unit)
    except RecordingError:
        return (column.strip(), "") if found[3] else (name.strip(), unit)
    return name.strip(), unit
