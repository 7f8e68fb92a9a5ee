"""Was what was asked for given? The pulses that a stream showed, held against the stimulus: verdicts with words and a way on.

Limits are common practice, no source, where none is named.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from decussa.model.trial import Verdict
from decussa.quality.verdict import Limits

#: The usual lag of an artifact behind its trigger is known after so many pulses.
FEWEST_LAGS = 5
#: Lags and intervals are held against what trials of recordings are held against.
_LIMITS = Limits()


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenPulses:
    """What a stream showed around one stimulus; NaN is "not known".

    Parameters
    ----------
    asked, seen : int
        Pulses asked for, and seen; ``seen`` is 0 where the stream cannot tell their number.
    apart_ms : float
        Time between the first two pulses that were seen.
    isi_ms, sample_ms : float
        Interval asked for, NaN for a single pulse, and the time between two samples.
    lag_ms, usual_lag_ms : float
        Time from the trigger to the artifact, and its median over the pulses before.
    lags : int
        How many pulses the median is of.
    lost : int
        Samples missing from the sweep.
    flat : tuple of str
        Channels that did not move at all.
    """

    asked: int
    seen: int
    apart_ms: float = math.nan
    isi_ms: float = math.nan
    sample_ms: float = 0.0
    lag_ms: float = math.nan
    usual_lag_ms: float = math.nan
    lags: int = 0
    lost: int = 0
    flat: tuple[str, ...] = ()


def judge_pulses(seen: SeenPulses) -> tuple[Verdict, ...]:
    """Return what speaks against a stimulus, gravest first; empty where nothing does."""
    found = [_number(seen), _interval(seen), _lost(seen), _flat(seen), _lag(seen)]
    return tuple(verdict for verdict in found if verdict is not None)


def _number(seen: SeenPulses) -> Verdict | None:
    if seen.seen in (0, seen.asked):
        return None
    if seen.seen > seen.asked:
        reason = f"{seen.seen} pulses were seen, the first two {seen.apart_ms:.1f} ms apart, {seen.asked} asked for"
        return Verdict("reject", "too many pulses", f"{reason}: look at the trigger cable and the stimulator's mode")
    reason = f"{seen.seen} of {seen.asked} pulses was seen: look whether both channels of the stimulator are armed"
    return Verdict("reject", "too few pulses", reason)


def _interval(seen: SeenPulses) -> Verdict | None:
    if seen.asked != seen.seen or math.isnan(seen.isi_ms) or math.isnan(seen.apart_ms):
        return None
    if abs(seen.apart_ms - seen.isi_ms) <= max(_LIMITS.isi_tolerance_ms, seen.sample_ms) + 1e-9:
        return None
    reason = f"interval {seen.apart_ms:.2f} ms, {seen.isi_ms:g} ms asked for: set it anew on the stimulator"
    return Verdict("reject", "interval", reason)


def _lost(seen: SeenPulses) -> Verdict | None:
    if not seen.lost:
        return None
    reason = f"{seen.lost} samples of the sweep were lost on their way: look at the link to the amplifier"
    return Verdict("doubtful", "samples lost", reason)


def _flat(seen: SeenPulses) -> Verdict | None:
    if not seen.flat:
        return None
    return Verdict("reject", "channel flat", f"{', '.join(seen.flat)} did not move at all: look at lead and amplifier")


def _lag(seen: SeenPulses) -> Verdict | None:
    if seen.lags < FEWEST_LAGS or not abs(seen.lag_ms - seen.usual_lag_ms) > _LIMITS.lag_tolerance_ms:
        return None
    reason = (
        f"artifact {seen.lag_ms:.1f} ms after the trigger, usually {seen.usual_lag_ms:.1f} ms (median of {seen.lags})"
    )
    return Verdict("doubtful", "lag", reason)
