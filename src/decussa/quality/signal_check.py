"""How each channel looks at rest before the first pulse: contact, range, offset, noise, mains; one finding each.

Nothing is filtered: what is judged is what trials will be measured on. Limits that have no source say so; they are meant for
surface EMG with a gain that makes the converter's range some millivolt.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from decussa.quality.finding import CheckState, Finding
from decussa.quality.mains import Mains, fit_mains
from decussa.quality.stretches import median_with_interval, stretch_medians, stretch_rms
from decussa.quality.verdict import Limits

Array = NDArray[np.float64]

CONTACT, RANGE, OFFSET, NOISE, MAINS, ALIKE = (
    "contact",
    "range",
    "offset",
    "noise at rest",
    "mains",
    "channels of their own",
)
_BY_STRETCH = "RMS about the mean in stretches of 95 ms, as each trial's background is measured; median"
_BY_FIT = "least-squares fit at the mains' frequency and its multiples; interval of the median over half seconds"


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckLimits:
    """What a channel at rest is held against.

    Parameters
    ----------
    rest_uv : float
        From here a trial's background is doubtful (``verdict.Limits``, with its source), so a channel whose median is there is
        bad.
    careful_uv : float
        From here noise alone passes a criterion of 50 µV in about 1 of 20 trials: the range of 150 independent normal samples,
        computed.
    loud_share : float
        A channel with more stretches than this above ``rest_uv`` is doubtful (common practice, no source).
    quiet_uv : float
        Electrodes on skin with an amplifier are not quieter than this (from memory: about 1 µV RMS of each).
    mains_uv, mains_bad_uv : float
        Mains from which a channel is doubtful, and bad (common practice, no source).
    offset_share, offset_bad_share : float
        Offset as a share of the converter's range on that side, from which too little room is left for the artifact (common
        practice, no source).
    clipped_share : float
        More samples than this at the end of the range are bad, fewer are doubtful (common practice, no source).
    alike : float
        Correlation from which two channels carry the same signal (common practice, no source).
    """

    rest_uv: float = Limits().rest_doubtful_uv
    careful_uv: float = 8.0
    loud_share: float = 0.05
    quiet_uv: float = 0.3
    mains_uv: float = 3.0
    mains_bad_uv: float = 10.0
    offset_share: float = 0.25
    offset_bad_share: float = 0.5
    clipped_share: float = 1e-3
    alike: float = 0.98


@dataclass(frozen=True, slots=True, kw_only=True)
class Lead:
    """A channel as the check needs to know it: name, ends of its range in µV (infinite: not told), limits."""

    name: str
    low_uv: float = -math.inf
    high_uv: float = math.inf
    limits: CheckLimits = CheckLimits()


def check_rest(samples_uv: Array, rate_hz: float, leads: Sequence[Lead]) -> tuple[Finding, ...]:
    """Return what is found of every channel while the participant is at rest.

    Parameters
    ----------
    samples_uv : ndarray, shape (n_channels, n_samples), microvolt
        As recorded; NaN where samples were lost. Two seconds or more say something.
    rate_hz : float
        Sampling rate.
    leads : sequence of Lead, length n_channels
        The channels in order.
    """
    findings: list[Finding] = []
    own: list[tuple[Lead, Array]] = []
    for trace, lead in zip(np.asarray(samples_uv, dtype=np.float64), leads, strict=True):
        levels = stretch_rms(trace, rate_hz)
        contact = _contact(trace, levels, rate_hz, lead)
        findings.append(contact)
        if contact.state in ("bad", "unknown"):
            continue
        whole = _longest_finite(trace)
        mains = fit_mains(whole, rate_hz)
        own.append((lead, whole - whole.mean() - mains.wave_uv))
        findings += (_range(trace, lead), _offset(stretch_medians(trace, rate_hz), lead), _noise(levels, lead))
        findings.append(_mains(mains, whole.size / rate_hz, lead))
    return (*findings, *_alike(own))


def _contact(trace: Array, levels: Array, rate_hz: float, lead: Lead) -> Finding:
    finite = trace[np.isfinite(trace)]
    seconds = finite.size / rate_hz
    if seconds < 1:
        said = f"{seconds:.1f} s of signal came; a second at least is needed."
        return Finding(check=CONTACT, channel=lead.name, state="unknown", words=said, do="Look again in a moment.")
    still = float(np.mean(np.diff(finite) == 0))
    value, low, high = median_with_interval(levels)
    base = _numbers(CONTACT, lead, (value, low, high), "µV RMS", _BY_STRETCH, levels.size)
    if still > 0.9 or value == 0:
        do = "Look at plug, cable and the channel's number; then at the amplifier."
        return base.says("bad", "flat: there is no signal at all.", do)
    if value < lead.limits.quiet_uv:
        said = f"{value:.2f} µV RMS is less than electrodes on skin give."
        return base.says("doubtful", said, "Check that the unit is right and the lead is plugged in.")
    lost = 1 - finite.size / trace.size
    if lost > 0.001:
        said = f"{100 * lost:.1f} % of the samples did not come."
        return base.says("doubtful", said, "Look at the link between amplifier and computer.")
    return base.says("good", "there is a signal.")


def _range(trace: Array, lead: Lead) -> Finding:
    finite = trace[np.isfinite(trace)]
    if math.isfinite(lead.low_uv) or math.isfinite(lead.high_uv):
        at_end = float(np.mean((finite <= lead.low_uv) | (finite >= lead.high_uv)))
        method = "samples at the ends of the converter's range"
    else:
        at_end = _held_extremes(finite)
        method = "samples held at the highest or lowest value for 5 or more; the range is not told"
    base = _numbers(RANGE, lead, (at_end, math.nan, math.nan), "share", method, finite.size)
    if at_end == 0:
        return base.says("good", "no sample at the end of the range.")
    state: CheckState = "bad" if at_end > lead.limits.clipped_share else "doubtful"
    said = f"{100 * at_end:.2g} % of the samples lie at the end of the range."
    return base.says(state, said, "Lower the gain, or look for a loose electrode.")


def _held_extremes(finite: Array) -> float:
    """Return the share of samples in runs of 5 or more that stay at the greatest or least value of all."""
    held = 0
    for extreme in {float(finite.max()), float(finite.min())}:
        starts, stops = _runs(finite == extreme)
        runs = stops - starts
        held += int(runs[runs >= 5].sum())
    return held / finite.size


def _offset(medians: Array, lead: Lead) -> Finding:
    offset, low, high = median_with_interval(medians)
    end = lead.high_uv if offset >= 0 else -lead.low_uv
    base = _numbers(OFFSET, lead, (offset, low, high), "µV", "median of stretches of 95 ms", medians.size)
    if not math.isfinite(end) or end <= 0:
        said = f"{offset:.0f} µV; the converter's range is not told, so nothing can be said of the room left."
        return base.says("good", said)
    share = abs(offset) / end
    limits = lead.limits
    state: CheckState = (
        "bad" if share >= limits.offset_bad_share else "doubtful" if share >= limits.offset_share else "good"
    )
    said = f"{offset:.0f} µV, {100 * share:.0f} % of the range on that side."
    do = (
        "" if state == "good" else "Clean the skin and press the electrodes on again; let them settle for some minutes."
    )
    return base.says(state, said, do)


def _noise(levels: Array, lead: Lead) -> Finding:
    limits = lead.limits
    value, low, high = median_with_interval(levels)
    loud = float(np.mean(levels > limits.rest_uv)) if levels.size else math.nan
    base = _numbers(NOISE, lead, (value, low, high), "µV RMS", _BY_STRETCH, levels.size)
    said = f"{value:.1f} µV RMS, limit {limits.rest_uv:g}"
    relax = "Let the muscle rest, support the limb; then look at skin, electrodes and ground."
    if value >= limits.rest_uv:
        return base.says("bad", f"{said}.", relax)
    if loud > limits.loud_share:
        said = f"{said}; {100 * loud:.0f} % of the stretches lie above it."
        return base.says("doubtful", said, "Wait until the muscle is at rest, then look again.")
    if value >= limits.careful_uv:
        said = f"{said}; noise alone passes 50 µV now and then."
        return base.says("doubtful", said, relax)
    return base.says("good", f"{said}.")


def _mains(mains: Mains, seconds: float, lead: Lead) -> Finding:
    limits = lead.limits
    base = _numbers(MAINS, lead, (mains.rms_uv, mains.low_uv, mains.high_uv), "µV RMS", _BY_FIT, mains.pieces)
    if math.isnan(mains.rms_uv):
        said = f"{seconds:.1f} s in one piece are too short to tell."
        return base.says("unknown", said, "Look again in a moment.")
    said = f"{mains.rms_uv:.1f} µV RMS at {mains.hz:.1f} Hz and its multiples, {100 * mains.share:.0f} % of the power."
    if mains.rms_uv < limits.mains_uv:
        return base.says("good", said)
    if mains.rms_uv >= limits.mains_bad_uv and mains.share > 0.5:
        do = "An electrode or the ground may be off: press on, fill gel, check the ground first."
        return base.says("bad", said, do)
    do = "Check the ground, keep leads together and away from power cables, switch lamps and chargers off."
    return base.says("bad" if mains.rms_uv >= limits.mains_bad_uv else "doubtful", said, do)


def _alike(own: Sequence[tuple[Lead, Array]]) -> list[Finding]:
    """Return pairs of channels that carry the same signal once the mains, which they may share, are taken off."""
    findings = []
    for (first, signal), (second, other) in combinations(own, 2):
        r = _correlation(signal, other)
        if abs(r) >= first.limits.alike:
            findings.append(
                Finding(
                    check=ALIKE,
                    channel=first.name,
                    state="bad",
                    words=f"carries the same signal as {second.name} (correlation {r:.3f}).",
                    do="Look for a plug in the wrong socket, gel that joins two pairs, or a channel chosen twice.",
                    value=r,
                    method="correlation after the mains are taken off",
                    n=int(min(signal.size, other.size)),
                )
            )
    return findings


def _correlation(first: Array, second: Array) -> float:
    if first.size != second.size or first.std() == 0 or second.std() == 0:
        return 0.0
    return float(np.corrcoef(first, second)[0, 1])


def _longest_finite(trace: Array) -> Array:
    """Return the longest stretch without a lost sample."""
    starts, stops = _runs(np.isfinite(trace))
    if starts.size == 0:
        return trace[:0]
    at = int(np.argmax(stops - starts))
    return trace[starts[at] : stops[at]]


def _runs(holds: NDArray[np.bool_]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return where stretches of true begin, and where they are over."""
    edges = np.flatnonzero(np.diff(holds, prepend=False, append=False))
    return edges[::2], edges[1::2]


def _numbers(check: str, lead: Lead, spread: tuple[float, float, float], unit: str, method: str, count: int) -> Finding:
    value, low, high = spread
    return Finding(
        check=check, channel=lead.name, value=value, low=low, high=high, unit=unit, method=method, n=int(count)
    )
