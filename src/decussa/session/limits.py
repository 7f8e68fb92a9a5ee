"""May this stimulus be given now? Pure: the request, what was given so far, and the protocol's limits."""

from __future__ import annotations

from collections.abc import Collection

from decussa.model.dialogue import Deliver, Refused
from decussa.plan.combine import FIRST_MSO
from decussa.protocol.schema import Limits
from decussa.session.tally import Tally

#: What must be confirmed today before the first stimulus, in order.
GATES: tuple[str, ...] = (
    "consent signed",
    "screening valid today",
    "ear protection on participant and operator",
    "second trained person present",
    "participant knows how to stop",
)


def check_limits(
    request: Deliver, tally: Tally, limits: Limits, *, gates_passed: Collection[str], at_s: float
) -> Refused | None:
    """Return a refusal that names the limit, or None where the stimulus may be given.

    Parameters
    ----------
    request : Deliver
        What the plan asks for.
    tally : Tally
        What was given so far today.
    limits : Limits
        The protocol's limits; the makers' and the approval's hold where they are lower.
    gates_passed : collection of str
        Gates confirmed in this session.
    at_s : float
        When it would be given, in seconds on the session's clock.
    """
    missing = [gate for gate in GATES if gate not in gates_passed]
    if missing:
        return Refused(limit="gates", reason=f"not confirmed: {', '.join(missing)}")
    pulses = len(request.stimulus.pulses)
    if tally.pulses + pulses > limits.pulse_total:
        return Refused(limit="pulse total", reason=f"{limits.pulse_total} pulses are given")
    if tally.first_s >= 0 and at_s - tally.first_s > limits.minutes_total * 60:
        return Refused(limit="time total", reason=f"{limits.minutes_total:g} minutes of stimulation are over")
    if tally.last_s >= 0 and at_s - tally.last_s < limits.least_interval_s - 1e-6:
        return Refused(
            limit="interval", reason=f"{at_s - tally.last_s:.1f} s after the last, at least {limits.least_interval_s:g}"
        )
    return _check_intensity(request, tally, limits)


def _check_intensity(request: Deliver, tally: Tally, limits: Limits) -> Refused | None:
    stimulus = request.stimulus
    if stimulus.stim_type == "nerve":
        return None
    for name, level in (("test", stimulus.intensity_mso), ("conditioning", stimulus.cond_intensity_mso)):
        if level > limits.ceiling_mso:
            return Refused(limit="ceiling", reason=f"{name} pulse of {level:g} % MSO, ceiling {limits.ceiling_mso:g}")
    if not 0 <= stimulus.intensity_mso <= 100:
        return Refused(limit="ceiling", reason="the test intensity is not known")
    if stimulus.intensity_mso >= tally.too_much_mso:
        return Refused(limit="discomfort", reason=f"{tally.too_much_mso:g} % MSO was too much today")
    highest = max(tally.tolerated_mso + limits.climb_step_mso, FIRST_MSO)
    if stimulus.intensity_mso > highest:
        reason = f"{stimulus.intensity_mso:g} % MSO, {tally.tolerated_mso:g} was tolerated, a step is {limits.climb_step_mso:g}"
        return Refused(limit="rise", reason=reason)
    return None
