"""Threshold tracking for paired pulses: the test intensity that keeps the response at a target, alone and in pairs."""

from __future__ import annotations

import math
from collections.abc import Generator, Mapping
from dataclasses import dataclass, replace

from decussa.estimate import tracking
from decussa.model.dialogue import Found, Plan, Refused, Reply, Request
from decussa.model.estimate import Estimate
from decussa.model.stimulus import Stimulus
from decussa.plan.blocks import OF_ONE_INTENSITY, REPEATS, impossible
from decussa.plan.frame import Frame
from decussa.plan.paired_block import TEST_ALONE
from decussa.protocol.intensity import set_on_device
from decussa.protocol.order import mixed_order
from decussa.protocol.steps import ThresholdTracking

#: Quantity of the track of test pulses alone, and of each pair's inhibition, which names its condition after a colon.
TEST, INHIBITION = "tracked_test", "tracked_inhibition"


@dataclass(slots=True)
class _Track:
    """One track: the pair's interval and conditioning pulse (NaN: a test pulse alone), its state, and what ended it."""

    isi_ms: float
    conditioning_mso: float
    state: tracking.State
    ended: str = ""

    def stimulus(self, level_mso: float) -> Stimulus:
        """Return what to give with the test pulse at ``level_mso``."""
        if math.isnan(self.isi_ms):
            return Stimulus.single(level_mso)
        return Stimulus.paired(self.conditioning_mso, level_mso, self.isi_ms)

    def lower(self, highest_mso: float) -> None:
        """Let the track go on no higher than ``highest_mso``."""
        self.state = replace(self.state, next_mso=highest_mso, ceiling_mso=highest_mso)


def track_thresholds(frame: Frame, step: ThresholdTracking) -> Plan:
    """Give every track ``step.trials`` usable trials in mixed order; finds ``tracked_test`` and each pair's inhibition.

    Each track follows its own responses. Where an intensity is refused, its track goes on below it; any refusal that is not
    about one intensity ends the step. A rejected trial comes again at the end of its small block, at most twice.
    """
    tracks: dict[str, _Track] = {}
    if sentences := impossible(frame, [step.start]):
        yield from frame.show(text=" ".join(sentences))
        return {}
    tracks[TEST_ALONE] = _track(frame, step, math.nan, math.nan)
    for condition in step.conditions:
        if sentences := impossible(frame, [condition.conditioning]):
            yield from frame.show(text=" ".join(sentences))
        else:
            tracks[condition.name] = _track(frame, step, condition.isi_ms, frame.setting(condition.conditioning))
    for small_block in mixed_order(list(tracks), step.trials, seed=frame.seed, first=TEST_ALONE):
        if not (yield from _give(frame, step, tracks, list(small_block))):
            break
        yield from frame.show(_found(tracks))
    return _found(tracks)


def _track(frame: Frame, step: ThresholdTracking, isi_ms: float, conditioning_mso: float) -> _Track:
    state = tracking.start(
        first_mso=frame.setting(step.start),
        target_uv=step.target_uv,
        tolerance=step.tolerance_pct / 100,
        step_mso=max(step.step_mso, frame.limits.device_step_mso),
        ceiling_mso=frame.limits.ceiling_mso,
    )
    return _Track(isi_ms, conditioning_mso, state)


def _give(
    frame: Frame, step: ThresholdTracking, tracks: Mapping[str, _Track], waiting: list[str]
) -> Generator[Request, Reply, bool]:
    """Give one small block; return whether the step may go on."""
    for _ in range(REPEATS + 1):
        again: list[str] = []
        for name in waiting:
            track = tracks[name]
            if track.ended:
                continue
            level = set_on_device(tracking.suggest(track.state), frame.limits.device_step_mso)
            reply = yield from frame.deliver(
                track.stimulus(level),
                condition=name,
                contraction_pct=step.contraction_pct,
                why=f"Tracking {step.target_uv:g} µV: {name}.",
            )
            if isinstance(reply, Refused):
                of_this_one = reply.limit in OF_ONE_INTENSITY
                if of_this_one and 0 < reply.highest_mso < level:
                    track.lower(reply.highest_mso)
                    again.append(name)
                    continue
                track.ended = f"{level:g} % MSO was not given: {reply.reason}"
                if of_this_one:
                    continue
                return False
            size = frame.value_of(reply, "amplitude_uv")
            if math.isnan(size):
                again.append(name)
                continue
            noise = frame.value_of(reply, "noise_uv")
            track.state = tracking.learn(track.state, level, size, noise_uv=noise if noise > 0 else 30.0)
        waiting = again
    return True


def _found(tracks: Mapping[str, _Track]) -> Found:
    test = _summary(tracks[TEST_ALONE])
    pairs = {f"{INHIBITION}: {name}": _summary(track) for name, track in tracks.items() if name != TEST_ALONE}
    return {TEST: test} | {name: _inhibition(test, pair) for name, pair in pairs.items()}


def _summary(track: _Track) -> Estimate:
    """Return a track's intensity, its published figure in the method; no number where nothing was learnt."""
    known = tracking.summary(track.state)
    if not track.state.n:
        return Estimate(method=known.method, reason=track.ended or "no usable trial")
    within = tracking.mean_within_tolerance(track.state)
    said = f"{within:.1f} % MSO" if math.isfinite(within) else "none"
    return replace(
        known,
        method=f"{known.method}; mean intensity of responses within tolerance: {said}",
        reason="; ".join(filter(None, (known.reason, track.ended))),
    )


def _inhibition(test: Estimate, pair: Estimate) -> Estimate:
    if test.n and pair.n:
        return tracking.percent_inhibition_tracked(test, pair)
    reason = "; ".join(dict.fromkeys(filter(None, (test.reason, pair.reason))))
    return Estimate(n=test.n + pair.n, method="threshold tracking", reason=reason)
