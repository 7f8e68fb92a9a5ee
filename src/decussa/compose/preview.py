"""What a protocol asks for, before anybody is stimulated: pulses, minutes, order, feasibility.

An adaptive plan cannot be read off a page; it is run through against a plain stand-in that answers like a textbook curve
with the given threshold, so that counts and minutes come from the very plan that will run.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from decussa.model.dialogue import Answer, Ask, Deliver, Done, Refused, Reply, Request, Rest, Trial
from decussa.model.errors import UsageError
from decussa.model.trial import ACCEPT
from decussa.plan.blocks import CURVE
from decussa.plan.session import session_plan, step_name
from decussa.plan.step import Ended, advance
from decussa.protocol.feasible import WAYS_OUT, Feasibility
from decussa.protocol.intensity import Reference
from decussa.protocol.schema import Protocol, load_protocol
from decussa.protocol.steps import planned_intensities

#: Threshold taken where none is given: mean of hand muscles, Jitsakulchaidej 2022, doi 10.1186/s12883-022-02977-8.
USUAL_RMT = 47.3
#: An active threshold lies below the resting one; share from memory.
ACTIVE_SHARE = 0.85
#: Time that setting up one contraction or answering one question takes, in s (common practice, no source).
_QUESTION_S = 10.0
_ORDER_SHOWN = 8


@dataclass(frozen=True, slots=True)
class StepPreview:
    """One step: how many stimuli and pulses it takes, how long, and the first conditions in order."""

    name: str
    stimuli: int
    pulses: int
    minutes: float
    order: tuple[str, ...]

    def line(self) -> str:
        """Return the step as a line of the preview."""
        return f"{self.name[:28]:28} {self.stimuli:7d} {self.pulses:7d} {self.minutes:8.1f}  {_order(self)}".rstrip()


@dataclass(frozen=True, slots=True)
class Preview:
    """A whole protocol, previewed."""

    protocol: str
    rmt: float
    assumed: bool
    steps: tuple[StepPreview, ...]
    fits: tuple[Feasibility, ...]

    @property
    def pulses(self) -> int:
        """All pulses; a pair is two."""
        return sum(step.pulses for step in self.steps)

    @property
    def minutes(self) -> float:
        """All minutes of stimulation, with rests."""
        return sum(step.minutes for step in self.steps)

    def lines(self) -> list[str]:
        """Return the preview as lines of text."""
        origin = ", a usual value: give yours with --threshold" if self.assumed else ""
        lines = [f"{self.protocol}, with a resting threshold of {self.rmt:g} % MSO{origin}", ""]
        lines.append(f"{'step':28} {'stimuli':>7} {'pulses':>7} {'minutes':>8}  order")
        lines += [step.line() for step in self.steps]
        total = sum(step.stimuli for step in self.steps)
        lines.append(f"{'together':28} {total:7d} {self.pulses:7d} {self.minutes:8.1f}")
        lines += [
            "",
            "Preparation, electrodes and closing talk come on top. Adaptive steps vary from person to person.",
        ]
        refused = [fit.sentence() for fit in self.fits if fit.possible is False]
        if not refused:
            return [*lines, "", "Every planned intensity fits under the ceiling."]
        ways = [f"  {number}. {way}" for number, way in enumerate(WAYS_OUT, start=1)]
        return [*lines, "", "Not possible:", *refused, "", "Ways out, in the order in which to consider them:", *ways]

    def as_dict(self) -> dict[str, object]:
        """Return the same for machines."""
        return {
            "protocol": self.protocol,
            "rmt": self.rmt,
            "pulses": self.pulses,
            "minutes": round(self.minutes, 1),
            "steps": [
                {
                    "name": step.name,
                    "stimuli": step.stimuli,
                    "pulses": step.pulses,
                    "minutes": round(step.minutes, 1),
                    "order": list(step.order),
                }
                for step in self.steps
            ],
            "infeasible": [fit.sentence() for fit in self.fits if fit.possible is False],
        }


def _order(step: StepPreview) -> str:
    """Return the first conditions in order, or the one condition where there is no order to speak of."""
    kinds = list(dict.fromkeys(step.order))
    if len(kinds) <= 2:
        return ", ".join(kinds)
    return " · ".join(step.order) + (" …" if step.stimuli > len(step.order) else "")


def preview(name_or_path: str, *, rmt: float | None = None, amt: float | None = None, seed: int = 1) -> Preview:
    """Run a protocol's plan against a stand-in and return what it would ask for."""
    protocol, _ = load_protocol(name_or_path)
    return preview_protocol(protocol, name_or_path, rmt=rmt, amt=amt, seed=seed)


def preview_protocol(
    protocol: Protocol, name: str, *, rmt: float | None = None, amt: float | None = None, seed: int = 1
) -> Preview:
    """Return the same for a protocol that was read already.

    Raises
    ------
    UsageError
        If a threshold is none that a stimulator could be set to.
    """
    for where, given in (("--threshold", rmt), ("--active-threshold", amt)):
        if given is not None and not 0 < given <= 100:
            raise UsageError(
                "this is no threshold", where=where, expected="above 0 and up to 100 % MSO", found=f"{given:g}"
            )
    threshold = USUAL_RMT if rmt is None else rmt
    stand_in = _StandIn(threshold, threshold * ACTIVE_SHARE if amt is None else amt, protocol)
    steps = _walk(protocol, stand_in, seed)
    return Preview(name, threshold, rmt is None, steps, _fits(protocol, stand_in.known()))


def _walk(protocol: Protocol, stand_in: _StandIn, seed: int) -> tuple[StepPreview, ...]:
    counts: dict[str, list[float]] = {}
    orders: dict[str, list[str]] = {}
    plan = session_plan(protocol, seed=seed)
    request = advance(plan, None)
    while not isinstance(request, Ended):
        tally = counts.setdefault(request.step, [0, 0, 0.0])
        if isinstance(request, Deliver):
            tally[0] += 1
            tally[1] += len(request.stimulus.pulses)
            tally[2] += request.wait_s
            if request.condition != "climb":
                orders.setdefault(request.step, []).append(_label(request))
        elif isinstance(request, Rest):
            tally[2] += request.seconds
        elif isinstance(request, Ask):
            tally[2] += _QUESTION_S
        request = advance(plan, stand_in.answer(request))
    return tuple(
        StepPreview(name, int(stimuli), int(pulses), seconds / 60, tuple(orders.get(name, [])[:_ORDER_SHOWN]))
        for name, (stimuli, pulses, seconds) in counts.items()
    )


def _label(request: Deliver) -> str:
    """Return what tells a trial apart in the order that is shown."""
    return f"{request.stimulus.intensity_mso:g} %" if request.condition == CURVE else request.condition


class _StandIn:
    """Answers like a textbook curve, without chance: enough to count pulses, not a person."""

    def __init__(self, rmt: float, amt: float, protocol: Protocol) -> None:
        self.rmt, self.amt, self.protocol = rmt, amt, protocol
        self.number = 0

    def known(self) -> Mapping[Reference, float]:
        """Return what the references come to."""
        base = next((level for level in (50.0, 40.0, 30.0, 20.0) if level < self.rmt), 20.0)
        return {"rmt": self.rmt, "amt": self.amt, "size": self.rmt * 1.25, "base": base}

    def answer(self, request: Request) -> Reply:
        """Return the reply to a request."""
        if isinstance(request, Ask):
            number = 2.0 if request.kind == "rating" else 400.0
            return Answer(value=number if request.kind in ("rating", "number") else request.default)
        if not isinstance(request, Deliver):
            return Done()
        if request.stimulus.intensity_mso > self.protocol.limits.ceiling_mso:
            return Refused(limit="ceiling", reason="above the ceiling")
        self.number += 1
        size = self._size(request)
        values = {"amplitude_uv": size, "noise_uv": 20.0, "response_p": float(size > 30)}
        return Trial(number=self.number, values={m.label: values for m in self.protocol.muscles}, verdict=ACCEPT)

    def _size(self, request: Deliver) -> float:
        stimulus = request.stimulus
        if stimulus.stim_type == "nerve":
            return 12_000 / (1 + math.exp((10 - stimulus.current_ma) / 1.5))
        threshold = self.amt if request.contraction_pct else self.rmt
        away = stimulus.intensity_mso / threshold - 1
        if request.site_cm is not None:
            start = self.protocol.coil.start_cm
            away -= 0.03 * ((abs(request.site_cm[0]) - abs(start[0])) ** 2 + (request.site_cm[1] - start[1]) ** 2)
        return 50.0 * math.exp(min(12.0 * away, math.log(80)))


def _fits(protocol: Protocol, known: Mapping[Reference, float]) -> tuple[Feasibility, ...]:
    return tuple(
        Feasibility(
            step=step_name(step),
            text=intensity.text,
            requested_mso=intensity.request(known),
            ceiling_mso=protocol.limits.ceiling_mso,
        )
        for step in protocol.steps
        for intensity in planned_intensities(step)
    )
