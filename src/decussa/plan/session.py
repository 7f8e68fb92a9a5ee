"""A whole session as one plan: the protocol's steps in order, each fed with what earlier steps found."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Generator, Mapping
from typing import Any, Literal

from decussa.model.dialogue import Found, Jump, Plan, Reply, Request
from decussa.plan.blocks import give_recruitment_curve, give_silent_period_block, give_single_block
from decussa.plan.closing import close_session
from decussa.plan.combine import Climb, with_breaks, with_climb, with_waits
from decussa.plan.contraction import find_maximal_contraction
from decussa.plan.familiarisation import familiarise
from decussa.plan.find_hotspot import find_hotspot
from decussa.plan.find_mmax import find_mmax
from decussa.plan.find_test_intensity import find_test_intensity
from decussa.plan.find_threshold import find_threshold
from decussa.plan.frame import Frame, rest
from decussa.plan.paired_block import give_paired_block
from decussa.plan.recheck import recheck
from decussa.plan.step import Ended, advance
from decussa.plan.track_thresholds import track_thresholds
from decussa.plan.trunk import find_trunk_levels
from decussa.protocol.intensity import Reference
from decussa.protocol.order import draw_waits
from decussa.protocol.schema import Protocol, ProtocolMuscle
from decussa.protocol.steps import Hotspot, Step

#: A break of this length after so many stimuli, besides the rests a protocol asks for (common practice, no source).
BREAK_EVERY = 60
BREAK_S = 60.0

#: How each kind of step is carried out. The search for the hotspot also needs the coil and is made in ``_plan_of``.
PLANS: Mapping[str, Callable[[Frame, Any], Plan]] = {
    "familiarisation": familiarise,
    "threshold": find_threshold,
    "mmax": find_mmax,
    "mvc": find_maximal_contraction,
    "test intensity": find_test_intensity,
    "single": give_single_block,
    "recruitment curve": give_recruitment_curve,
    "paired": give_paired_block,
    "tracking": track_thresholds,
    "silent period": give_silent_period_block,
    "trunk levels": find_trunk_levels,
    "re-check": recheck,
    "closing": close_session,
}

#: Which quantity of a muscle an intensity refers to.
_QUANTITY: Mapping[Reference, str] = {"rmt": "rmt", "amt": "amt", "base": "base", "size": "test_intensity"}


def session_plan(
    protocol: Protocol,
    *,
    seed: int,
    earlier: Found | None = None,
    leave_out: Collection[str] = (),
    before: Found | None = None,
) -> Plan:
    """Return the plan of a whole session.

    Parameters
    ----------
    protocol : Protocol
        From ``read_protocol``.
    seed : int
        Seed of orders and waits; the same seed asks the same, given the same replies.
    earlier : mapping of str to Estimate, optional
        What this session found already, by ``"muscle label/quantity"``: the estimates from which a changed plan goes on.
    leave_out : collection of str
        Names of steps that are not to be done, since they were done before the plan changed.
    before : mapping of str to Estimate, optional
        What an earlier session of the same person found: where thresholds are expected, what they are compared with, and,
        where the protocol fixes them, the intensities.

    Returns
    -------
    A generator of requests that returns everything found, by ``"muscle label/quantity"``.
    """
    found = dict(earlier or {})
    climb = Climb(protocol.limits)
    waits = draw_waits(protocol.limits.interval_s, seed=seed)
    for number, step in enumerate(protocol.steps):
        if step_name(step) in leave_out:
            continue
        action: Literal["skip", "redo"] | None = "redo"
        attempt = 0
        while action == "redo":
            frame = _frame(protocol, step, seed=seed + number + 1000 * attempt, found=found, before=before or {})
            attempt += 1
            rested = with_breaks(_plan_of(protocol, step, frame), every=BREAK_EVERY, seconds=BREAK_S)
            result = yield from _until_jump(with_climb(with_waits(rested, waits), climb))
            action = result.action if isinstance(result, Jump) else None
        if not isinstance(result, Jump):
            named = {f"{frame.muscle.label}/{quantity}": estimate for quantity, estimate in result.items()}
            found |= named
            yield from frame.show(named, final=True)
    return found


def _until_jump(plan: Plan) -> Generator[Request, Reply, Found | Jump]:
    """Pass a step's plan through until it ends, or until the operator leaves it."""
    request = advance(plan, None)
    while not isinstance(request, Ended):
        reply = yield request
        if isinstance(reply, Jump):
            plan.close()
            return reply
        request = advance(plan, reply)
    return request.found


def _plan_of(protocol: Protocol, step: Step, frame: Frame) -> Plan:
    yield from rest(step.rest_before_s, step=step_name(step), why="A rest that the protocol asks for.")
    if isinstance(step, Hotspot):
        return (yield from find_hotspot(frame, step, frame.site_cm or _start(protocol, frame.muscle)))
    return (yield from PLANS[step.kind](frame, step))


def _start(protocol: Protocol, muscle: ProtocolMuscle) -> tuple[float, float]:
    """Return where the search begins: the protocol's distance from the midline, on the side that is stimulated."""
    lateral, front = protocol.coil.start_cm
    return (-lateral if muscle.stim_side == "left" else lateral), front


def _site(protocol: Protocol, muscle: ProtocolMuscle, found: Found) -> tuple[float, float] | None:
    """Return where the coil belongs, to a millimetre: the hotspot once it is known, else the start the protocol names."""
    x, y = (found.get(f"{muscle.label}/hotspot_{axis}") for axis in "xy")
    if x is not None and y is not None and math.isfinite(x.value) and math.isfinite(y.value):
        return round(x.value, 1), round(y.value, 1)
    return _start(protocol, muscle) if "start_cm" in protocol.coil.model_fields_set else None


def _frame(protocol: Protocol, step: Step, *, seed: int, found: Found, before: Found) -> Frame:
    muscle = protocol.target(step)
    fixed = protocol.people.intensity_at_later_time_points == "fixed"
    sides = tuple(other.label for other in protocol.muscles if other.muscle == muscle.muscle and other.target)
    now, then = (_of_muscle(muscle.label, found_) for found_ in (found, before))
    return Frame(
        step=step_name(step),
        muscle=muscle,
        limits=protocol.limits,
        criterion=protocol.criterion,
        seed=seed,
        both_sides=sides,
        site_cm=_site(protocol, muscle, found),
        known={reference: _known(quantity, now, then if fixed else {}) for reference, quantity in _QUANTITY.items()},
        now=now,
        before=then,
    )


def _of_muscle(label: str, found: Found) -> Found:
    """Return what was found of one muscle, by quantity."""
    return {key.rpartition("/")[2]: estimate for key, estimate in found.items() if key.rpartition("/")[0] == label}


def _known(quantity: str, now: Found, fixed: Found) -> float:
    """Return the value an intensity refers to: that of the earlier session where intensities are fixed, else today's."""
    for found in (fixed, now):
        if quantity in found and math.isfinite(found[quantity].value):
            return found[quantity].value
    return math.nan


def step_name(step: Step) -> str:
    """Return the name of a step in tables and on screen: its own, or its kind."""
    return step.name or step.kind
