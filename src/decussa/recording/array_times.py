"""Sampling rate and place of the test pulse in files of arrays. A mapping goes before what the file says."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from decussa.model.errors import RecordingError
from decussa.recording.array_file import COLUMN_LENGTH, ArrayFile, NamedArray, plain_name
from decussa.recording.array_lookup import look_up, one_number
from decussa.recording.array_words import AT_SAMPLE, BEFORE, BEFORE_UNCLEAR, RATE, SAMPLES_BEFORE, STEP, TIME
from decussa.recording.edf_header import GREATEST_RATE_HZ
from decussa.recording.mapping import Mapping
from decussa.recording.text_times import rate_of_times

#: A step without a unit is in seconds up to here, in milliseconds beyond: EMG is taken at 200 Hz or more, and slower than
#: 200 kHz. Common practice, no source.
_LONGEST_STEP_S = 5e-3
_SHORTEST_STEP_S = 5e-6
#: What is slower is no EMG. Common practice, no source.
_LEAST_RATE_HZ = 50.0


@dataclass(frozen=True, slots=True, eq=False)
class Times:
    """Rate in Hz, the times of all samples of a sweep in seconds where the file gives them, and what was assumed."""

    rate_hz: float
    vector_s: NDArray[np.float64] | None
    notes: tuple[str, ...]


def find_times(file: ArrayFile, signal: NamedArray, told: Mapping) -> Times:
    """Return the sampling rate, from a mapping, a number, a step or a vector of times.

    Raises
    ------
    RecordingError
        If nothing tells it, or two things tell it differently.
    """
    vector, notes = _time_vector(file, signal)
    told_rate = told.rate_hz if math.isfinite(told.rate_hz) else _said_rate(file, signal)
    if told_rate is None and vector is None:
        raise RecordingError(
            "sampling rate is not known", where=file.path, expected="a variable such as fs, or a vector of times in s",
            found=file.names, do="give rate_hz in a mapping",
        )  # fmt: skip
    if vector is None:
        assert told_rate is not None
        return Times(_checked(file, told_rate), None, ())
    from_vector = rate_of_times(vector * 1e3, file.path)
    if told_rate is not None and abs(from_vector - told_rate) > 1e-3 * told_rate:
        raise RecordingError(
            "sampling rate is told twice, differently", where=file.path,
            expected=f"{told_rate:g} Hz as the file says", found=f"{from_vector:g} Hz from its times",
            do="say rate_hz in a mapping and leave the times out, or correct the file",
        )  # fmt: skip
    return Times(_checked(file, told_rate or from_vector), vector, notes)


def find_onset_s(
    file: ArrayFile, signal: NamedArray, times: Times, told: Mapping
) -> tuple[float, tuple[str, ...]] | None:
    """Return the time from the first sample of each sweep to the test pulse in seconds, and notes; None if nothing tells.

    Raises
    ------
    RecordingError
        If a number speaks of it without a unit.
    """
    if math.isfinite(told.onset_ms):
        return told.onset_ms / 1e3, ()
    if found := one_number(file, BEFORE, signal):
        return found[1] * BEFORE[found[0].key], ()
    if found := one_number(file, SAMPLES_BEFORE, signal):
        return found[1] / times.rate_hz, ()
    if found := one_number(file, AT_SAMPLE, signal):
        note = f"{found[0].name} = {found[1]:g} is taken as a sample number that counts from {file.counts_from}"
        return (found[1] - file.counts_from) / times.rate_hz, (note,)
    if times.vector_s is not None and times.vector_s[0] < 0 < times.vector_s[-1]:
        return float(-times.vector_s[0]), ("the test pulse is taken to lie at time 0",)
    if unclear := look_up(file, BEFORE_UNCLEAR, signal):
        raise RecordingError(
            f"{unclear[0].name} has no unit", where=file.path, expected="a name with its unit, such as pre_ms or pre_samples",
            do="give onset_ms, the time of the test pulse from the first sample, in a mapping",
        )  # fmt: skip
    return None


def _said_rate(file: ArrayFile, signal: NamedArray) -> float | None:
    if found := one_number(file, RATE, signal):
        return found[1] * RATE[found[0].key]
    if found := one_number(file, STEP, signal):
        step_s = found[1] * (STEP[found[0].key] or _step_unit(found[1]))
        if step_s > 0:
            rate_hz = 1 / step_s
            return float(round(rate_hz)) if abs(rate_hz - round(rate_hz)) < 1e-6 * rate_hz else rate_hz
    return None


def _step_unit(step: float) -> float:
    """Return seconds per unit of a step or of times whose unit nobody said: only one of s and ms fits EMG."""
    return 1.0 if _SHORTEST_STEP_S <= abs(step) <= _LONGEST_STEP_S else 1e-3


def _time_vector(file: ArrayFile, signal: NamedArray) -> tuple[NDArray[np.float64] | None, tuple[str, ...]]:
    """Return the times of the samples in seconds: a vector by its name, as long as some axis of the signal."""
    for array in file.arrays:
        factor = TIME.get(plain_name(array.name))
        long_enough = 2 < array.length <= COLUMN_LENGTH and array.length in signal.shape
        if factor is None or not long_enough:
            continue
        times = array.vector()
        if not np.isfinite(times).all() or times[-1] <= times[0]:
            continue
        unit = factor or _step_unit(float(times[-1] - times[0]) / (times.size - 1))
        notes = () if factor else (f"{array.name} is taken to be in {'seconds' if unit == 1 else 'milliseconds'}",)
        return times * unit, notes
    return None, ()


def _checked(file: ArrayFile, rate_hz: float) -> float:
    if not _LEAST_RATE_HZ <= rate_hz <= GREATEST_RATE_HZ:
        raise RecordingError(
            "sampling rate cannot be known", where=file.path, expected=f"{_LEAST_RATE_HZ:g} to {GREATEST_RATE_HZ:g} Hz",
            found=f"{rate_hz:g}", do="give rate_hz in a mapping",
        )  # fmt: skip
    return rate_hz
