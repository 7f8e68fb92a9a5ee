"""What is true of a virtual participant in a session: as they are, and as they were stimulated."""

from __future__ import annotations

from collections.abc import Sequence

from decussa.compose.stored import given_stimuli
from decussa.model.dialogue import Deliver
from decussa.plan.session import step_name
from decussa.protocol.schema import Protocol
from decussa.protocol.steps import SilentPeriodBlock
from decussa.source.virtual.cortex import Pathway
from decussa.source.virtual.person import VirtualParticipant
from decussa.source.virtual.truth import silent_period_where, threshold_where
from decussa.store.chain import Entry

#: What a rehearsal's truth says about each quantity: its name there, in words, and its unit.
TRUTHS = {
    "rmt": ("rest_threshold_mso", "resting threshold", "% MSO"),
    "amt": ("active_threshold_mso", "active threshold", "% MSO"),
    "mmax": ("mmax_uv", "Mmax", "µV"),
    "silent_period": ("silent_period_ms", "silent period", "ms"),
    "sici_ratio": ("sici_ratio", "SICI", "ratio"),
    "icf_ratio": ("icf_ratio", "ICF", "ratio"),
    "lici_ratio": ("lici_ratio", "LICI", "ratio"),
    "hotspot_x": ("hotspot_x_cm", "hotspot to the right", "cm"),
    "hotspot_y": ("hotspot_y_cm", "hotspot to the front", "cm"),
    "mvc": ("mvc_uv", "maximal contraction", "µV"),
    "mep_max": ("mep_max_uv", "plateau of the curve", "µV"),
}


def truth_as_given(
    person: VirtualParticipant, entries: Sequence[Entry], protocol: Protocol
) -> dict[str, dict[str, float]]:
    """Return the truths by muscle and name.

    Thresholds and silent period are those of the coil where it was held, at the contraction and the intensity that were asked
    for: a threshold 1 cm beside the hotspot is higher, and a stronger pulse silences longer. Everything else is at its best.
    """
    requests = [given.request for given in given_stimuli(entries)]
    truth = {}
    for pathway in person.pathways:
        label = pathway.site.channel
        muscle = person.truth.muscles[label]
        own = [request for request in requests if request.muscle == label]
        shift = person.state.drive.get(pathway.anatomy.key, 0.0)
        truth[label] = {name: float(getattr(muscle, name)) for name, _, _ in TRUTHS.values()}
        truth[label] |= _thresholds(pathway, shift, own, protocol) | _silence(pathway, shift, own, protocol)
    return truth


def _thresholds(pathway: Pathway, shift: float, requests: Sequence[Deliver], protocol: Protocol) -> dict[str, float]:
    """Return the thresholds where the coil was when they were searched last."""
    found = {}
    for request in requests:
        if request.condition in ("rmt", "amt") and request.site_cm is not None:
            active = request.contraction_pct > 0
            name = "active_threshold_mso" if active else "rest_threshold_mso"
            criterion = protocol.criterion.active_size_uv if active else protocol.criterion.size_uv
            found[name] = threshold_where(pathway, shift, request.site_cm, request.contraction_pct, criterion)
    return found


def _silence(pathway: Pathway, shift: float, requests: Sequence[Deliver], protocol: Protocol) -> dict[str, float]:
    """Return the silent period of the last pulse that was given for one."""
    steps = {step_name(step) for step in protocol.steps if isinstance(step, SilentPeriodBlock)}
    for request in reversed(requests):
        if request.block in steps and request.site_cm is not None:
            mso = request.stimulus.intensity_mso
            value = silent_period_where(pathway, shift, request.site_cm, request.contraction_pct, mso)
            return {"silent_period_ms": value}
    return {}
