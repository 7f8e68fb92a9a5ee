"""Accept, doubtful or reject, always with the rule and the number that decided.

Each rule is a function from the facts of many trials to its objections, each with the trial it is about; the table ``RULES``
is all there is. The gravest verdict wins; among equals the first in the table. Rejected trials stay in every table; they
only leave the averages. Nothing here judges a person, and an operator or reviewer can overrule all of it.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from decussa.model.trial import ACCEPT, VERDICTS, Verdict, VerdictKind

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

    def columns(self) -> Columns:
        """Return the facts as columns of one trial."""
        return {fact.name: np.array([getattr(self, fact.name)], dtype=type(fact.default)) for fact in fields(self)}


#: What is known of many trials: by the names of ``TrialFacts`` arrays of shape (n_trials,).
Columns = Mapping[str, NDArray[Any]]
#: An objection: number of the trial, counted from 0, and the verdict.
Objection = tuple[int, Verdict]
Rule = Callable[[Columns, Limits], Iterator[Objection]]


def _where(objects: NDArray[np.bool_], facts: Columns, *names: str) -> Iterator[tuple[Any, ...]]:
    """Return the numbers of the trials that a rule objects to, each with the facts by these names."""
    trials = np.flatnonzero(objects)
    return zip(trials.tolist(), *(facts[name][trials].tolist() for name in names), strict=True)


def _incomplete(facts: Columns, limits: Limits) -> Iterator[Objection]:  # noqa: ARG001
    for (trial,) in _where(~facts["complete"], facts):
        yield trial, Verdict("reject", "incomplete", "the recording does not hold the whole sweep")


def _clipped(facts: Columns, limits: Limits) -> Iterator[Objection]:  # noqa: ARG001
    for trial, clipped in _where(facts["clipped_in_window"] != 0, facts, "clipped_in_window"):
        yield trial, Verdict("reject", "clipped", f"{clipped} samples of the window are clipped")


def _pulse_missing(facts: Columns, limits: Limits) -> Iterator[Objection]:  # noqa: ARG001
    for (trial,) in _where(~facts["artifact_seen"] & facts["artifact_expected"], facts):
        yield trial, Verdict("reject", "pulse missing", "no stimulus artifact, though the other stimuli show one")


def _contradiction(facts: Columns, limits: Limits) -> Iterator[Objection]:  # noqa: ARG001
    names = ("extra_artifact_ms", "artifact_start_ms", "isi_ms", "isi_measured_ms")
    for trial, extra_ms, start_ms, isi_ms, measured_ms in _where(~np.isnan(facts["extra_artifact_ms"]), facts, *names):
        apart_ms = abs(extra_ms - start_ms)
        if math.isnan(isi_ms):
            reason = f"two artifacts {apart_ms:.1f} ms apart, a single pulse asked for"
        elif math.isnan(measured_ms):
            reason = f"two artifacts {apart_ms:.1f} ms apart, a pair {isi_ms:g} ms apart asked for"
        else:
            reason = f"a third artifact at {extra_ms:.1f} ms, a pair asked for"
        yield trial, Verdict("reject", "contradiction", reason)


def _heartbeat(facts: Columns, limits: Limits) -> Iterator[Objection]:  # noqa: ARG001
    seen = ~np.isnan(facts["heartbeat_ms"])
    for trial, beat_ms, start_ms in _where(seen, facts, "heartbeat_ms", "window_start_ms"):
        place = "window" if beat_ms > start_ms / 2 else "baseline"
        yield trial, Verdict("doubtful", "heartbeat", f"heartbeat in the {place}, at {beat_ms:.0f} ms")


def _interval(facts: Columns, limits: Limits) -> Iterator[Objection]:
    pair, unseen = ~np.isnan(facts["isi_ms"]), np.isnan(facts["isi_measured_ms"])
    lost = pair & unseen & facts["artifact_expected"] & np.isnan(facts["extra_artifact_ms"])
    for trial, isi_ms, one in _where(lost, facts, "isi_ms", "artifact_seen"):
        seen = "one artifact" if one else "interval not seen"
        yield trial, Verdict("doubtful", "interval", f"{seen}, a pair {isi_ms:g} ms apart asked for")
    tolerance_ms = np.maximum(limits.isi_tolerance_ms, facts["sample_ms"]) + 1e-9
    off = pair & ~unseen & ~(np.abs(facts["isi_measured_ms"] - facts["isi_ms"]) <= tolerance_ms)
    for trial, measured_ms, isi_ms in _where(off, facts, "isi_measured_ms", "isi_ms"):
        yield trial, Verdict("reject", "interval", f"interval {measured_ms:.2f} ms, {isi_ms:g} ms asked for")


def _background_at_rest(facts: Columns, limits: Limits) -> Iterator[Objection]:
    above = ~facts["active"] & (facts["background_rms_uv"] > limits.rest_doubtful_uv)
    for trial, background_uv in _where(above, facts, "background_rms_uv"):
        reject = background_uv > limits.rest_reject_uv
        limit = limits.rest_reject_uv if reject else limits.rest_doubtful_uv
        kind: VerdictKind = "reject" if reject else "doubtful"
        yield trial, Verdict(kind, "background", f"background {background_uv:.1f} µV, limit {limit:g}")


def _contraction(facts: Columns, limits: Limits) -> Iterator[Objection]:
    background, expected, asked_pct = (
        facts[name] for name in ("background_rms_uv", "expected_background_uv", "contraction_pct")
    )
    known = facts["active"] & (expected > 0) & ~np.isnan(background)
    tolerance = np.full(known.size, limits.contraction_tolerance)
    with np.errstate(over="ignore"):
        np.divide(limits.contraction_band_pct, asked_pct, out=tolerance, where=asked_pct > 0)
        off = np.abs(np.divide(background, expected, out=np.ones(known.size), where=known) - 1)
    names = ("background_rms_uv", "expected_background_uv", "tolerance")
    for trial, background_uv, expected_uv, share in _where(off > tolerance, {**facts, "tolerance": tolerance}, *names):
        reason = (
            f"contraction drifted: background {background_uv:.0f} µV, block {expected_uv:.0f} ± {100 * share:.0f} %"
        )
        yield trial, Verdict("doubtful", "contraction", reason)


def _recovery(facts: Columns, limits: Limits) -> Iterator[Objection]:
    late = facts["artifact_end_ms"] > facts["window_start_ms"] - limits.recovery_ms
    for trial, end_ms, start_ms in _where(late, facts, "artifact_end_ms", "window_start_ms"):
        yield trial, Verdict("doubtful", "recovery", f"artifact until {end_ms:.1f} ms, window opens at {start_ms:g} ms")


def _lag(facts: Columns, limits: Limits) -> Iterator[Objection]:
    for trial, lag_ms in _where(np.abs(facts["lag_ms"]) > limits.lag_tolerance_ms, facts, "lag_ms"):
        yield trial, Verdict("doubtful", "lag", f"pulse {lag_ms:+.1f} ms off its mark")


def _response_missing(facts: Columns, limits: Limits) -> Iterator[Objection]:  # noqa: ARG001
    missing = (facts["response_p"] < 0.1) & (facts["responding_share"] >= 0.8)
    for trial, share in _where(missing, facts, "responding_share"):
        reason = f"no response, where {100 * share:.0f} % of the condition respond"
        yield trial, Verdict("doubtful", "response missing", reason)


def _first(facts: Columns, limits: Limits) -> Iterator[Objection]:  # noqa: ARG001
    for (trial,) in _where(facts["first_of_block"], facts):
        yield trial, Verdict("doubtful", "first of block", "first trial of its block")


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
    """Return the gravest verdict any rule gives on one trial, ``ACCEPT`` where none objects; see ``judge_all``."""
    return judge_all(facts.columns(), limits)[0]


def judge_all(facts: Columns, limits: Limits = Limits()) -> list[Verdict]:
    """Return for each trial the gravest verdict any rule gives, ``ACCEPT`` where none objects.

    The reason lists every objection of that gravity and below, gravest first, so that nothing seen is left unsaid.

    Parameters
    ----------
    facts : mapping of str to array, shape (n_trials,)
        A column for each field of ``TrialFacts``.
    limits : Limits
        What trials are held against.
    """
    verdicts: dict[int, list[Verdict]] = defaultdict(list)
    for rule in RULES:
        for trial, verdict in rule(facts, limits):
            verdicts[trial].append(verdict)
    return [gravest(verdicts.get(trial, ())) for trial in range(len(facts["complete"]))]


def gravest(verdicts: Sequence[Verdict]) -> Verdict:
    """Return the gravest of several verdicts, with the reasons of all, gravest first; ``ACCEPT`` where none objects."""
    if len(verdicts) < 2:
        return verdicts[0] if verdicts else ACCEPT
    found = sorted(
        (verdict for verdict in verdicts if verdict != ACCEPT), key=lambda verdict: -VERDICTS.index(verdict.kind)
    )
    if not found:
        return ACCEPT
    reasons = dict.fromkeys(verdict.reason for verdict in found)
    return Verdict(found[0].kind, found[0].rule, "; ".join(reasons))
