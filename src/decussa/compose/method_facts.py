"""What protocol and journal of a session say about how it was measured: fills the record behind methods and checklist."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TypeVar

from decussa.model.dialogue import Found
from decussa.protocol.schema import Protocol
from decussa.protocol.steps import Hotspot, MaximalContraction, StepBase, Threshold, TrunkLevels
from decussa.report.method_record import MethodRecord, Said
from decussa.session.clock import from_text
from decussa.session.recovery import stored_findings
from decussa.store.chain import Entry
from decussa.store.preparing import ElectrodesOn, HeadMeasured, PersonDescribed, Screened
from decussa.store.records import Started

#: Source of a session that was recorded elsewhere.
RECORDED = "recording"
_Kind = TypeVar("_Kind", bound=StepBase)
#: Who is told apart by the screening only: answers stay private, the outcome says that they were asked for.
_SCREENED = ("medicines", "nervous drugs", "illness", "conditions")


def method_record(entries: Sequence[Entry], protocol: Protocol, *, earlier: str = "") -> MethodRecord:
    """Return the record of a stored session; ``earlier`` is when the session before it began, where there was one."""
    started = next((entry.body for entry in entries if isinstance(entry.body, Started)), None)
    if started is not None and started.source == RECORDED:
        # It was not run here: the protocol says nothing about it.
        return MethodRecord()
    virtual = started is not None and started.source == "virtual"
    said = {
        **_person(entries, protocol),
        "electrodes": _electrodes(entries, protocol),
        "before": _before(protocol),
        **_coil(protocol),
        "place": _place(entries, protocol),
        "stimulator": Said(reported="an invented stimulator (rehearsal)" if virtual else ""),
        "intensity": Said(controlled=f"set by the plan, never above {protocol.limits.ceiling_mso:g} % MSO"),
        "hotspot": _hotspot(protocol, stored_findings(entries)),
        "spacing": Said(
            controlled=f"drawn from {protocol.limits.interval_s[0]:g} to {protocol.limits.interval_s[1]:g} s, never under "
            f"{protocol.limits.least_interval_s:g} s"
        ),
        "days": _days(entries, earlier),
        "threshold": _threshold(protocol),
    }
    seed = f", seed {started.seed}" if started is not None and started.seed else ""
    return MethodRecord(
        said=said,
        approval=protocol.study.approval,
        order=f"by a plan, conditions of a block interleaved at random{seed}",
    )


def _person(entries: Sequence[Entry], protocol: Protocol) -> Mapping[str, Said]:
    people = protocol.people
    said = {"age": Said(controlled=f"{people.least_age} to {people.most_age} years by protocol")}
    described = [entry.body for entry in entries if isinstance(entry.body, PersonDescribed)]
    if described and described[-1].hand:
        said["hand"] = Said(reported=f"{described[-1].hand} hand preferred")
    screened = [entry.body for entry in entries if isinstance(entry.body, Screened)]
    if screened:
        text = f"asked for by a screening form (version {screened[-1].version}); answers are kept apart"
        said |= dict.fromkeys(_SCREENED, Said(controlled=text))
    return said


def _electrodes(entries: Sequence[Entry], protocol: Protocol) -> Said:
    placed = {muscle.label: muscle.electrodes for muscle in protocol.muscles}
    impedances = []
    for entry in entries:
        if isinstance(entry.body, ElectrodesOn):
            on = entry.body
            placed[on.muscle] = "; ".join(part for part in (on.placement, on.skin) if part)
            if not math.isnan(on.impedance_kohm):
                impedances.append(f"{on.muscle} {on.impedance_kohm:g} kOhm")
    text = "; ".join(f"{label}: {words}" for label, words in placed.items())
    return Said(reported=text, controlled=f"impedance {', '.join(impedances)}" if impedances else "")


def _steps(protocol: Protocol, kind: type[_Kind]) -> list[_Kind]:
    return [step for step in protocol.steps if isinstance(step, kind)]


def _before(protocol: Protocol) -> Said:
    efforts = _steps(protocol, MaximalContraction)
    if not efforts:
        return Said()
    told = f"{sum(step.efforts for step in efforts)} maximal efforts, {efforts[0].rest_s:g} s of rest between them"
    rests = [step.rest_before_s for step in protocol.steps if step.rest_before_s > 0]
    return Said(reported=told, controlled=f"rest of {max(rests):g} s before stimulation" if rests else "")


def _coil(protocol: Protocol) -> Mapping[str, Said]:
    coil = protocol.coil
    return {
        "coil": Said(reported=", ".join(part for part in (coil.type, coil.size) if part)),
        "orientation": Said(reported=coil.orientation),
        "current": Said(reported=coil.brain_current),
        "pulse": Said(reported=coil.pulse_shape),
    }


def _place(entries: Sequence[Entry], protocol: Protocol) -> Said:
    measured = any(isinstance(entry.body, HeadMeasured) for entry in entries)
    text = protocol.coil.position
    if measured:
        text = f"{text}; vertex measured by tape" if text else "vertex measured by tape"
    return Said(
        reported=text, controlled="site asked for in cm from the vertex with every stimulus" if measured else ""
    )


def _hotspot(protocol: Protocol, found: Found) -> Said:
    steps = _steps(protocol, Hotspot)
    if not steps:
        return Said(reported="no search: trunk levels by coarse steps" if _steps(protocol, TrunkLevels) else "")
    step = steps[0]
    sites = [
        f"{name.rpartition('/')[0]} {abs(estimate.value):.1f} cm {_direction(name, estimate.value)} the vertex"
        for name, estimate in found.items()
        if name.endswith(("hotspot_x", "hotspot_y")) and math.isfinite(estimate.value)
    ]
    told = f"search over a grid of {step.spacing_cm:g} cm, at most {step.pulses} pulses, for the site of the largest response"
    return Said(reported="; ".join([told, *sites]), controlled="site and size of every pulse are in the journal")


def _direction(name: str, value_cm: float) -> str:
    if name.endswith("x"):
        return "to the right of" if value_cm >= 0 else "to the left of"
    return "in front of" if value_cm >= 0 else "behind"


def _days(entries: Sequence[Entry], earlier: str) -> Said:
    if not entries or not earlier:
        return Said()
    days = (from_text(entries[0].at) - from_text(earlier)).total_seconds() / 86400
    return Said(reported=f"{days:.1f} days since the session before")


def _threshold(protocol: Protocol) -> Said:
    steps = _steps(protocol, Threshold)
    if not steps:
        return Said()
    criterion = protocol.criterion
    told = (
        f"criterion: at least {criterion.size_uv:g} uV at rest, {criterion.active_size_uv:g} uV active, in at least "
        f"{criterion.k} of {criterion.of}; by EMG, never by eye"
    )
    return Said(controlled=told)
