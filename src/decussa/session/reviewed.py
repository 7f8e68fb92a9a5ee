"""What a sweep's values are with a rater's marks in place of the automatic ones: everything that follows is worked out anew."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

from decussa.model.muscle import Window
from decussa.session.review import VERDICT, Said

Values = Mapping[str, float]


def automatic_marks(values: Values, window_ms: Window) -> dict[str, float]:
    """Return the marks as they were measured, by the names a rater moves them under; ms from the test pulse."""
    onset = values.get("latency_ms", math.nan)
    return {
        "onset_ms": onset,
        "end_ms": onset + values.get("duration_ms", math.nan),
        "silent_end_ms": values.get("silent_end_ms", math.nan),
        "window_start_ms": window_ms[0],
        "window_end_ms": window_ms[1],
    }


def reviewed_marks(values: Values, window_ms: Window, changes: Mapping[str, Said]) -> dict[str, float]:
    """Return the marks with those a rater moved in their place."""
    moved = {name: float(value) for name, value in changes.items() if name != VERDICT}
    return automatic_marks(values, window_ms) | moved


def reviewed_values(
    values: Values, window_ms: Window, changes: Mapping[str, Said], measure_in: Callable[[Window], Values]
) -> dict[str, float]:
    """Return the values of one sweep with a rater's marks in place of the automatic ones.

    Parameters
    ----------
    values : mapping
        As measured, by column of the trial table.
    window_ms : (float, float)
        The window they were measured in.
    changes : mapping
        What the rater changed; an empty one leaves every value as it is.
    measure_in : callable
        Measures the same sweep in another window; called only where the window was moved.

    Returns
    -------
    dict. A mark that was moved by hand has no interval; durations follow from the marks as in the trial table.
    """
    window = (
        float(changes.get("window_start_ms", window_ms[0])),
        float(changes.get("window_end_ms", window_ms[1])),
    )
    new = dict(values)
    if window != window_ms:
        new |= measure_in(window)
    marks = reviewed_marks(new, window, changes)
    if "onset_ms" in changes:
        new |= {"latency_ms": marks["onset_ms"], "latency_low_ms": math.nan, "latency_high_ms": math.nan}
    if "end_ms" in changes:
        new["silent_start_ms"] = marks["end_ms"] if math.isfinite(new.get("silent_end_ms", math.nan)) else math.nan
    if "silent_end_ms" in changes:
        new |= {"silent_end_ms": marks["silent_end_ms"], "silent_low_ms": math.nan, "silent_high_ms": math.nan}
        # A silence that only the rater saw starts where the response ends.
        if math.isnan(new.get("silent_start_ms", math.nan)):
            new["silent_start_ms"] = marks["end_ms"]
    if changes.keys() & {"onset_ms", "end_ms", "silent_end_ms"}:
        new |= _durations(new, marks)
    return new


def _durations(values: Values, marks: Mapping[str, float]) -> dict[str, float]:
    silent_end = values.get("silent_end_ms", math.nan)
    return {
        "duration_ms": marks["end_ms"] - marks["onset_ms"],
        "silent_period_ms": silent_end - marks["onset_ms"],
        "silent_from_pulse_ms": silent_end,
        "silent_from_end_ms": silent_end - values.get("silent_start_ms", math.nan),
    }
