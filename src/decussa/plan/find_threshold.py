"""Motor threshold by one of the named methods; all share ``start``, ``suggest``, ``learn`` and ``summary``."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from decussa.estimate import threshold
from decussa.estimate.threshold import five_of_ten, likelihood_hunting, two_threshold
from decussa.model.dialogue import Plan, Refused
from decussa.model.estimate import Estimate
from decussa.model.stimulus import Stimulus
from decussa.plan.compare import compare
from decussa.plan.frame import Frame
from decussa.protocol.intensity import set_on_device
from decussa.protocol.steps import Threshold

#: So many pulses at the ceiling below the criterion, and the threshold is taken to lie above it.
_SILENT_AT_CEILING = 3
#: From this probability on that there is a response at all, a size counts as one; a number needs so many of them.
_LIKELY = 0.9
_FEWEST_RESPONSES = 2


@dataclass(frozen=True, slots=True)
class Method:
    """A way to find the threshold: what its state starts from, and when it is done. The state is the method's own."""

    start: Callable[[Frame, Threshold, float], Any]
    suggest: Callable[[Any], float]
    learn: Callable[[Any, float, float, float | None], Any]
    summary: Callable[[Any], Estimate]
    done: Callable[[Any, Threshold], bool]
    curve: Callable[[Any], Mapping[str, tuple[float, ...]]] = lambda _: {}


def _start_adaptive(frame: Frame, step: Threshold, criterion_uv: float) -> Any:
    """Begin from the population, or from the person's earlier session where that is asked for and found the threshold."""
    quantity = "amt" if step.state == "active" else "rmt"
    earlier = frame.before.get(quantity) if step.begin_from == "earlier session" else None
    return threshold.start(
        muscle=frame.muscle.muscle,
        active=step.state == "active",
        criterion_uv=criterion_uv,
        prior=earlier if earlier is not None and 0 < earlier.value <= frame.limits.ceiling_mso else None,
        step_mso=frame.limits.device_step_mso,
        ceiling_mso=frame.limits.ceiling_mso,
    )


def _density(state: Any) -> Mapping[str, tuple[float, ...]]:
    """Return the belief for drawing, to four digits."""
    at_mso, per_mso = threshold.density(state)
    return {"at_mso": tuple(np.round(at_mso, 2).tolist()), "per_mso": tuple(np.round(per_mso, 4).tolist())}


def _without_noise(learn: Callable[..., Any]) -> Callable[[Any, float, float, float | None], Any]:
    """The published methods learn from the size alone."""
    return lambda state, level, size, _noise: learn(state, level, size)


METHODS: Mapping[str, Method] = {
    "adaptive": Method(
        start=_start_adaptive,
        suggest=threshold.suggest,
        learn=lambda state, level, size, noise: threshold.learn(state, level, size, noise_uv=noise),
        summary=threshold.summary,
        done=lambda state, step: threshold.done(state, step.half_width_mso, step.pulses),
        curve=_density,
    ),
    "5 of 10": Method(
        start=lambda frame, step, criterion_uv: five_of_ten.start(
            start_mso=step.start_mso, step_mso=frame.limits.device_step_mso, criterion_uv=criterion_uv
        ),
        suggest=five_of_ten.suggest,
        learn=_without_noise(five_of_ten.learn),
        summary=five_of_ten.summary,
        done=lambda state, _: five_of_ten.done(state),
    ),
    "two-threshold": Method(
        start=lambda frame, step, criterion_uv: two_threshold.start(
            start_mso=step.start_mso, step_mso=frame.limits.device_step_mso, criterion_uv=criterion_uv
        ),
        suggest=two_threshold.suggest,
        learn=_without_noise(two_threshold.learn),
        summary=two_threshold.summary,
        done=lambda state, _: two_threshold.done(state),
    ),
    "maximum likelihood": Method(
        start=lambda frame, step, criterion_uv: likelihood_hunting.start(
            first_mso=step.start_mso, step_mso=frame.limits.device_step_mso, criterion_uv=criterion_uv
        ),
        suggest=likelihood_hunting.suggest,
        learn=_without_noise(likelihood_hunting.learn),
        summary=likelihood_hunting.summary,
        done=lambda state, step: state.n >= step.pulses,
    ),
}


def find_threshold(frame: Frame, step: Threshold) -> Plan:
    """Hunt the threshold; finds ``rmt`` or ``amt`` in % MSO, or that there is no response up to the ceiling, as a result.

    Where an intensity is refused, the hunt goes on below it, and what was found says so.
    """
    active = step.state == "active"
    quantity = "amt" if active else "rmt"
    criterion = frame.criterion.active_size_uv if active else frame.criterion.size_uv
    ceiling = frame.limits.ceiling_mso
    method = METHODS[step.method]
    state = method.start(frame, step, criterion)
    hunt = _Hunt()
    limited = ""
    while hunt.given < step.pulses and hunt.silent < _SILENT_AT_CEILING and not method.done(state, step):
        level = min(set_on_device(method.suggest(state), frame.limits.device_step_mso), ceiling)
        reply = yield from frame.deliver(
            Stimulus.single(level),
            condition=quantity,
            contraction_pct=step.contraction_pct if active else 0.0,
            why=f"Looking for the intensity at which half of the responses reach {criterion:g} µV.",
        )
        if isinstance(reply, Refused):
            limited = f"{level:g} % MSO was not given: {reply.reason}"
            if not 0 < reply.highest_mso < level:
                break
            ceiling, hunt.silent = reply.highest_mso, 0
            continue
        hunt.given += 1
        size = frame.value_of(reply, "amplitude_uv")
        if not size > 0:
            continue
        state = method.learn(state, level, size, hunt.noise_uv(frame.value_of(reply, "noise_uv")))
        seen = size >= criterion and not frame.value_of(reply, "response_p") < _LIKELY
        hunt.note(level, seen=seen, at_ceiling=level >= ceiling)
        yield from frame.show({quantity: method.summary(state)}, curve=method.curve(state))
    found = hunt.outcome(method.summary(state), limited)
    if quantity in frame.before:
        yield from frame.show(text=compare(quantity, found, frame.before[quantity], "in the earlier session"))
    return {quantity: found}


@dataclass(slots=True)
class _Hunt:
    """What a hunt has seen, whatever the method: pulses given, highest level, and how many were answered.

    ``silent`` counts the pulses in a row at the ceiling that nothing answered.
    """

    given: int = 0
    silent: int = 0
    highest: float = 0.0
    responses: int = 0
    noises_uv: list[float] = field(default_factory=list)

    def noise_uv(self, own_uv: float) -> float | None:
        """Return what noise and background alone give: the trial's own, or the mean of the trials so far where that is more.

        Background that was low before a pulse comes back after it, and would pass for a response.
        """
        if not (math.isfinite(own_uv) and own_uv > 0):
            return None
        self.noises_uv.append(own_uv)
        return max(own_uv, sum(self.noises_uv) / len(self.noises_uv))

    def note(self, level: float, *, seen: bool, at_ceiling: bool) -> None:
        """Note one usable trial."""
        self.highest = max(self.highest, level)
        self.responses += seen
        self.silent = self.silent + 1 if at_ceiling and not seen else 0

    def outcome(self, known: Estimate, limited: str) -> Estimate:
        """Return what was found: a number only where more than one pulse was answered, and what limits it."""
        if self.responses >= _FEWEST_RESPONSES:
            return replace(known, reason="; ".join(filter(None, (known.reason, limited))))
        few = "one response only" if self.responses else "no response"
        none = f"{few} up to {self.highest:g} % MSO, {self.given} pulses" if self.highest else "no usable trial"
        low = known.low if self.highest else math.nan
        if self.silent >= _SILENT_AT_CEILING:
            none, low = f"{none}: the threshold lies above", self.highest
        reason = "; ".join(filter(None, (none, limited)))
        high = math.inf if self.highest else math.nan
        return Estimate(low=low, high=high, n=self.given, method=known.method, reason=reason)
