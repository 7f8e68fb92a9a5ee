"""One live sweep becomes a trial: measured by the same kernel as any recording, judged by the same rules."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from decussa.measuring.catalogue import TIMES, describe_method
from decussa.measuring.sweeps import measure_sweeps
from decussa.model.dialogue import Deliver, Trial
from decussa.model.muscle import Window, muscle_and_side
from decussa.model.recording import Channel
from decussa.model.sweep import Sweep
from decussa.model.trial import Verdict
from decussa.model.version import VERSION
from decussa.protocol.schema import Protocol
from decussa.quality.verdict import Limits as TrialLimits
from decussa.quality.verdict import TrialFacts, gravest, judge
from decussa.source.contract import Delivered

#: Method of a size that somebody read elsewhere and typed.
BY_HAND = "peak-to-peak read elsewhere, typed by the operator"


@dataclass(frozen=True, slots=True)
class MeasuredTrial:
    """A trial and the method that measured it."""

    trial: Trial
    method: str


def measure_delivered(
    came: Delivered, request: Deliver, channels: Sequence[Channel], protocol: Protocol, *, artifact_expected: bool
) -> MeasuredTrial:
    """Make a trial of what came back: of its sweep, or of the sizes that somebody read elsewhere."""
    if came.sweep is None:
        return trial_by_hand(dict(came.sizes_uv or {}), request, came.number)
    measured = measure_sweep(came.sweep, request, came.number, channels, protocol, artifact_expected=artifact_expected)
    if not came.found:
        return measured
    trial = replace(measured.trial, verdict=gravest((measured.trial.verdict, *came.found)))
    return MeasuredTrial(trial, measured.method)


def measure_sweep(
    sweep: Sweep,
    request: Deliver,
    number: int,
    channels: Sequence[Channel],
    protocol: Protocol,
    *,
    artifact_expected: bool,
) -> MeasuredTrial:
    """Measure every channel of ``sweep`` and judge the target's; a sweep that cannot be measured is rejected.

    ``artifact_expected`` says that earlier trials of this kind showed the stimulus artifact.
    """
    nerve = request.stimulus.stim_type == "nerve"
    active = request.contraction_pct > 0
    values: dict[str, dict[str, float]] = {}
    verdict = Verdict("reject", "incomplete", "the target muscle was not recorded")
    method = ""
    for row, channel in enumerate(channels):
        window = window_of(channel, protocol, nerve=nerve)
        if window is None:
            continue
        measured = measure_sweeps(
            np.array(sweep.samples_uv[row : row + 1]),
            sweep.rate_hz,
            sweep.onset_sample,
            window_ms=window,
            isi_ms=None if math.isnan(request.stimulus.isi_ms) else request.stimulus.isi_ms,
            onset="model",
            silent=active,
            intervals=True,
            low_uv=channel.low_uv,
            high_uv=channel.high_uv,
            nerve=nerve,
        )
        numbers = {
            name: float(column[0]) - (sweep.shift_ms if name in TIMES else 0.0) for name, column in measured.items()
        }
        values[channel.name] = numbers
        if channel.name == request.muscle:
            verdict = judge(
                _facts(numbers, request, window, sweep.rate_hz, artifact_expected=artifact_expected),
                _limits(channel, protocol),
            )
            method = describe_method(onset="model", silent=active, intervals=True, rate_hz=sweep.rate_hz, nerve=nerve)
    return MeasuredTrial(Trial(number=number, values=values, verdict=verdict), f"{method}; version {VERSION}")


def trial_by_hand(sizes_uv: dict[str, float], request: Deliver, number: int) -> MeasuredTrial:
    """Make a trial of sizes that were read elsewhere; without a size of the target it is rejected."""
    values = {label: {"amplitude_uv": float(size)} for label, size in sizes_uv.items()}
    size = values.get(request.muscle, {}).get("amplitude_uv", math.nan)
    good = math.isfinite(size) and size >= 0
    verdict = Verdict("accept") if good else Verdict("reject", "incomplete", "no size was read for the target muscle")
    return MeasuredTrial(Trial(number=number, values=values, verdict=verdict), BY_HAND)


def window_of(channel: Channel, protocol: Protocol, *, nerve: bool) -> Window | None:
    """Return the window of a channel: the protocol's, else the muscle's own; None where a nerve cannot be reached."""
    muscle, _ = muscle_and_side(channel.name)
    for planned in protocol.muscles:
        if planned.label == channel.name:
            asked = planned.m_window_ms if nerve else planned.window_ms
            if nerve and not planned.nerve_reachable:
                return None
            return asked or (muscle.m_window_ms if nerve else muscle.window_ms)
    return muscle.m_window_ms if nerve else muscle.window_ms


def _facts(
    numbers: dict[str, float], request: Deliver, window: Window, rate_hz: float, *, artifact_expected: bool
) -> TrialFacts:
    clipped = numbers.get("clipped_samples", 0.0)
    return TrialFacts(
        complete=math.isfinite(numbers["amplitude_uv"]),
        active=request.contraction_pct > 0,
        background_rms_uv=numbers["background_rms_uv"],
        clipped_in_window=int(clipped) if math.isfinite(clipped) else 0,
        artifact_seen=math.isfinite(numbers.get("artifact_end_ms", math.nan)),
        artifact_expected=artifact_expected,
        artifact_end_ms=math.nan if request.stimulus.stim_type == "nerve" else numbers.get("artifact_end_ms", math.nan),
        window_start_ms=window[0],
        isi_ms=request.stimulus.isi_ms,
        isi_measured_ms=numbers.get("isi_measured_ms", math.nan),
        sample_ms=1e3 / rate_hz,
        response_p=numbers["response_p"],
    )


def _limits(channel: Channel, protocol: Protocol) -> TrialLimits:
    limit = next((muscle.rest_limit_uv for muscle in protocol.muscles if muscle.label == channel.name), 10.0)
    return TrialLimits(rest_doubtful_uv=limit, rest_reject_uv=2.5 * limit)
