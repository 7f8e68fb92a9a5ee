"""Accept, doubtful or reject, always with the rule and the number that decided.

Each rule is a function from the facts of one trial to a verdict or None; the table ``RULES`` is all there is. The
gravest verdict wins; among equals the first in the table. Rejected trials stay in every table; they only leave the
averages. Nothing here judges a person, and an operator or reviewer can overrule all of it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from decussa.model.trial import ACCEPT, VERDICTS, Verdict

#: Where at least this share of stimuli of a kind shows an artifact, one without it means that no pulse came.
ARTIFACT_SHARE = 0.8


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What a trial is held against.

    Parameters
    ----------
    rest_doubtful_uv, rest_reject_uv : float
        Background RMS at rest from which a trial is doubtful (10 µV is the usual limit, and even below it background
        raises the response; preprint 2025 on very low amplitude muscle activity) and from which it is rejected (25 µV,
        common practice, no source).
    contraction_band_pct : float
        How far a contraction may be off, in % MVC (common practice, no source): 5 at a target of 10 is half of it.
    contraction_tolerance : float
        The same as a share of the block's median background, where the target is not known (from memory: 20 to 25 %).
    isi_tolerance_ms : float
        Allowed difference between interval asked for and interval measured, or one sample where that is more.
    lag_tolerance_ms : float
        Allowed difference of a pulse's lag behind its mark from the recording's median lag.
    recovery_ms : float
        The artifact must be over this long before the window opens.
    """

    rest_doubtful_uv: float = 10.0
    rest_reject_uv: float = 25.0
    contraction_band_pct: float = 5.0
    contraction_tolerance: float = 0.25
    isi_tolerance_ms: float = 0.2
    lag_tolerance_ms: float = 1.0
    recovery_ms: float = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialFacts:
    """What is known of one trial when it is judged. NaN is "not known"; such a rule is passed over.

    ``expected_background_uv`` is the median background of the same block during contraction, NaN at rest;
    ``contraction_pct`` is the contraction that was asked for.
    ``lag_ms`` is the artifact's lag behind its mark minus the median lag of the recording. ``artifact_expected`` says
    that the other stimuli of the recording show an artifact. ``responding_share`` is the share of trials of the same
    condition with a response, NaN where there are too few to tell. ``extra_artifact_ms`` is the time of an artifact besides
    those asked for, ``heartbeat_ms`` that of a heartbeat in baseline or window, both from the test pulse.
    """

    complete: bool = True
    active: bool = False
    background_rms_uv: float = math.nan
    expected_background_uv: float = math.nan
    contraction_pct: float = math.nan
    clipped_in_window: int = 0
    artifact_seen: bool = True
    artifact_expected: bool = False
    artifact_end_ms: float = math.nan
    window_start_ms: float = math.nan
    artifact_start_ms: float = math.nan
    extra_artifact_ms: float = math.nan
    heartbeat_ms: float = math.nan
    isi_ms: float = math.nan
    isi_measured_ms: float = math.nan
    sample_ms: float = 0.0
    lag_ms: float = math.nan
    response_p: float = math.nan
    responding_share: float = math.nan
    first_of_block: bool = False


Rule = Callable[[TrialFacts, Limits], Verdict | None]


def _incomplete(facts: TrialFacts, limits: Limits) -> Verdict | None:  # noqa: ARG001
    if facts.complete:
        return None
    return Verdict("reject", "incomplete", "the recording does not hold the whole sweep")


def _clipped(facts: TrialFacts, limits: Limits) -> Verdict | None:  # noqa: ARG001
    if facts.clipped_in_window == 0:
        return None
    return Verdict("reject", "clipped", f"{facts.clipped_in_window} samples of the window are clipped")


def _pulse_missing(facts: TrialFacts, limits: Limits) -> Verdict | None:  # noqa: ARG001
    if facts.artifact_seen or not facts.artifact_expected:
        return None
    return Verdict("reject", "pulse missing", "no stimulus artifact, though the other stimuli show one")


def _contradiction(facts: TrialFacts, limits: Limits) -> Verdict | None:  # noqa: ARG001
    if math.isnan(facts.extra_artifact_ms):
        return None
    apart_ms = abs(facts.extra_artifact_ms - facts.artifact_start_ms)
    if math.isnan(facts.isi_ms):
        reason = f"two artifacts {apart_ms:.1f} ms apart, a single pulse asked for"
    elif math.isnan(facts.isi_measured_ms):
        reason = f"two artifacts {apart_ms:.1f} ms apart, a pair {facts.isi_ms:g} ms apart asked for"
    else:
        reason = f"a third artifact at {facts.extra_artifact_ms:.1f} ms, a pair asked for"
    return Verdict("reject", "contradiction", reason)


def _heartbeat(facts: TrialFacts, limits: Limits) -> Verdict | None:  # noqa: ARG001
    if math.isnan(facts.heartbeat_ms):
        return None
    place = "window" if facts.heartbeat_ms > facts.window_start_ms / 2 else "baseline"
    return Verdict("doubtful", "heartbeat", f"heartbeat in the {place}, at {facts.heartbeat_ms:.0f} ms")


def _interval(facts: TrialFacts, limits: Limits) -> Verdict | None:
    if math.isnan(facts.isi_ms):
        return None
    if math.isnan(facts.isi_measured_ms):
        if not facts.artifact_expected or not math.isnan(facts.extra_artifact_ms):
            return None
        seen = "one artifact" if facts.artifact_seen else "interval not seen"
        return Verdict("doubtful", "interval", f"{seen}, a pair {facts.isi_ms:g} ms apart asked for")
    if abs(facts.isi_measured_ms - facts.isi_ms) <= max(limits.isi_tolerance_ms, facts.sample_ms) + 1e-9:
        return None
    return Verdict("reject", "interval", f"interval {facts.isi_measured_ms:.2f} ms, {facts.isi_ms:g} ms asked for")


def _background_at_rest(facts: TrialFacts, limits: Limits) -> Verdict | None:
    if facts.active or not facts.background_rms_uv > limits.rest_doubtful_uv:
        return None
    if facts.background_rms_uv > limits.rest_reject_uv:
        reason = f"background {facts.background_rms_uv:.1f} µV, limit {limits.rest_reject_uv:g}"
        return Verdict("reject", "background", reason)
    reason = f"background {facts.background_rms_uv:.1f} µV, limit {limits.rest_doubtful_uv:g}"
    return Verdict("doubtful", "background", reason)


def _contraction(facts: TrialFacts, limits: Limits) -> Verdict | None:
    if not facts.active or math.isnan(facts.expected_background_uv) or math.isnan(facts.background_rms_uv):
        return None
    tolerance = limits.contraction_tolerance
    if facts.contraction_pct > 0:
        tolerance = limits.contraction_band_pct / facts.contraction_pct
    if abs(facts.background_rms_uv / facts.expected_background_uv - 1) <= tolerance:
        return None
    reason = (
        f"contraction drifted: background {facts.background_rms_uv:.0f} µV, "
        f"block {facts.expected_background_uv:.0f} ± {100 * tolerance:.0f} %"
    )
    return Verdict("doubtful", "contraction", reason)


def _recovery(facts: TrialFacts, limits: Limits) -> Verdict | None:
    if not facts.artifact_end_ms > facts.window_start_ms - limits.recovery_ms:
        return None
    reason = f"artifact until {facts.artifact_end_ms:.1f} ms, window opens at {facts.window_start_ms:g} ms"
    return Verdict("doubtful", "recovery", reason)


def _lag(facts: TrialFacts, limits: Limits) -> Verdict | None:
    if not abs(facts.lag_ms) > limits.lag_tolerance_ms:
        return None
    return Verdict("doubtful", "lag", f"pulse {facts.lag_ms:+.1f} ms off its mark")


def _response_missing(facts: TrialFacts, limits: Limits) -> Verdict | None:  # noqa: ARG001
    if not (facts.response_p < 0.1 and facts.responding_share >= 0.8):
        return None
    share = f"{100 * facts.responding_share:.0f} %"
    return Verdict("doubtful", "response missing", f"no response, where {share} of the condition respond")


def _first(facts: TrialFacts, limits: Limits) -> Verdict | None:  # noqa: ARG001
    if not facts.first_of_block:
        return None
    return Verdict("doubtful", "first of block", "first trial of its block")


#: Every rule, in the order in which equal verdicts are reported.
RULES: tuple[Rule, ...] = (
    _incomplete,
    _clipped,
    _pulse_missing,
    _contradiction,
    _interval,
    _background_at_rest,
    _contraction,
    _recovery,
    _heartbeat,
    _lag,
    _response_missing,
    _first,
)


def judge(facts: TrialFacts, limits: Limits = Limits()) -> Verdict:
    """Return the gravest verdict any rule gives, ``ACCEPT`` where none objects.

    The reason lists every objection of that gravity and below, gravest first, so that nothing seen is left unsaid.
    """
    return gravest([verdict for rule in RULES if (verdict := rule(facts, limits)) is not None])


def gravest(verdicts: Sequence[Verdict]) -> Verdict:
    """Return the gravest of several verdicts, with the reasons of all, gravest first; ``ACCEPT`` where none objects."""
    found = sorted(
        (verdict for verdict in verdicts if verdict != ACCEPT), key=lambda verdict: -VERDICTS.index(verdict.kind)
    )
    if not found:
        return ACCEPT
    reasons = dict.fromkeys(verdict.reason for verdict in found)
    return Verdict(found[0].kind, found[0].rule, "; ".join(reasons))
