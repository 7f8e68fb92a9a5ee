"""What every plan of a protocol's step is given, and the few ways in which plans ask."""

from __future__ import annotations

import math
from collections.abc import Generator, Mapping
from dataclasses import dataclass, field

from decussa.model.dialogue import Answer, Ask, Deliver, Done, Found, Lost, Refused, Reply, Request, Rest, Show, Trial
from decussa.model.errors import DecussaError
from decussa.model.estimate import Estimate
from decussa.model.stimulus import Stimulus
from decussa.protocol.intensity import Reference, read_intensity, set_on_device
from decussa.protocol.schema import Criterion, Limits, ProtocolMuscle

DeliverReply = Trial | Refused | Lost


class PlanFaultError(DecussaError):
    """A plan was sent a reply that does not answer what it asked: a fault of the program, not of the operator."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """The circumstances of one step.

    ``known`` maps ``rmt``, ``amt``, ``base`` and ``size`` of the step's muscle to % MSO, as found by earlier steps.
    ``now`` is what earlier steps found of the muscle, ``before`` what an earlier session did, by quantity. ``site_cm`` is
    where the coil belongs: the hotspot that was found, else where the protocol starts; None leaves it be.
    """

    step: str
    muscle: ProtocolMuscle
    limits: Limits
    criterion: Criterion
    seed: int
    both_sides: tuple[str, ...] = ()
    site_cm: tuple[float, float] | None = None
    known: Mapping[Reference, float] = field(default_factory=dict)
    now: Found = field(default_factory=dict)
    before: Found = field(default_factory=dict)

    def setting(self, text: str) -> float:
        """Return what the device is to be set to for an intensity as written; NaN where its reference is not known."""
        requested = read_intensity(text).request(self.known)
        return requested if math.isnan(requested) else set_on_device(requested, self.limits.device_step_mso)

    def value_of(self, reply: DeliverReply, quantity: str) -> float:
        """Return what a reply's trial says of this step's muscle: NaN where it may not be learnt from, or is below 0."""
        value = reply.value(self.muscle.label, quantity) if isinstance(reply, Trial) and usable(reply) else math.nan
        return value if math.isfinite(value) and value >= 0 else math.nan

    def deliver(
        self, stimulus: Stimulus, *, condition: str = "", block: str = "", contraction_pct: float = 0.0, why: str = ""
    ) -> Generator[Request, Reply, DeliverReply]:
        """Ask for one stimulus to this step's muscle."""
        return deliver(
            Deliver(
                stimulus=stimulus,
                step=self.step,
                condition=condition,
                block=block or self.step,
                muscle=self.muscle.label,
                contraction_pct=contraction_pct,
                site_cm=None if stimulus.stim_type == "nerve" else self.site_cm,
                why=why,
            )
        )

    def show(
        self,
        results: Mapping[str, Estimate] | None = None,
        *,
        curve: Mapping[str, tuple[float, ...]] | None = None,
        final: bool = False,
        text: str = "",
    ) -> Generator[Request, Reply, None]:
        """Let the screen see what is known; ``curve`` is for drawing."""
        reply = yield Show(step=self.step, results=dict(results or {}), curve=dict(curve or {}), final=final, text=text)
        if not isinstance(reply, Done):
            raise PlanFaultError("a plan that showed something was answered otherwise", found=repr(reply))


def deliver(request: Deliver) -> Generator[Request, Reply, DeliverReply]:
    """Ask for one stimulus; return the trial, the refusal or the loss."""
    reply = yield request
    if not isinstance(reply, Trial | Refused | Lost):
        raise PlanFaultError("a plan that asked for a stimulus was answered otherwise", found=repr(reply))
    return reply


def ask(request: Ask) -> Generator[Request, Reply, str | float]:
    """Put a question; return the answer."""
    reply = yield request
    if not isinstance(reply, Answer):
        raise PlanFaultError("a plan that asked a question was answered otherwise", found=repr(reply))
    return reply.value


def ask_number(request: Ask) -> Generator[Request, Reply, float]:
    """Put a question whose answer is a number; NaN where what came is none."""
    value = yield from ask(request)
    try:
        return float(value)
    except ValueError:
        return math.nan


def rest(seconds: float, *, step: str, why: str = "") -> Generator[Request, Reply, None]:
    """Wait, unless there is nothing to wait for."""
    if seconds > 0:
        reply = yield Rest(seconds=seconds, step=step, why=why)
        if not isinstance(reply, Done):
            raise PlanFaultError("a plan that rested was answered otherwise", found=repr(reply))


def usable(reply: DeliverReply) -> bool:
    """Whether a reply holds a trial that may be learnt from."""
    return isinstance(reply, Trial) and reply.verdict.kind != "reject"
