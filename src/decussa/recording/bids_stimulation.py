"""The stimulation in files of its own, after a draft of the data standard: outside of what validators look at.

Source: BIDS extension proposal 37, non-invasive brain stimulation, draft 6.2 of April 2026. It is not released and its names
have changed before; what matters stands in ``events.tsv`` as well.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Protocol

from decussa.model.recording import StimulusEvent
from decussa.recording.bids_files import to_cell, write_json, write_lines

DRAFT = "BIDS extension proposal 37, draft 6.2"
_COLUMNS = (
    "event_id", "event_name", "stim_id", "coil_id", "base_pulse_intensity", "coil_handle_direction", "target_id", "timestamp",
)  # fmt: skip


class CoilDescribed(Protocol):
    """What is said of a coil."""

    @property
    def type(self) -> str:
        """Its kind."""
        ...

    @property
    def size(self) -> str:
        """Its size."""
        ...

    @property
    def orientation(self) -> str:
        """How it is held."""
        ...

    @property
    def brain_current(self) -> str:
        """Direction of the induced current."""
        ...

    @property
    def pulse_shape(self) -> str:
        """Shape of the pulse."""
        ...


def write_stimulation(
    root: Path, participant: str, session: str, coil: CoilDescribed, runs: Sequence[Sequence[StimulusEvent]]
) -> None:
    """Write the magnetic stimuli of a session below ``nibs/`` and have validators pass them by."""
    folder = root / f"sub-{participant}" / f"ses-{session}" / "nibs"
    for number, events in enumerate(runs, start=1):
        magnetic = [event for event in events if event.stimulus.stim_type != "nerve"]
        run = f"_run-{number}" if len(runs) > 1 else ""
        stem = f"sub-{participant}_ses-{session}_task-session{run}_stimsys-tms_nibs"
        kinds = {_kind(event): f"stim-{place}" for place, event in enumerate(_firsts(magnetic), start=1)}
        lines = [_line(event, kinds[_kind(event)], coil) for event in magnetic]
        write_lines(folder / f"{stem}.tsv", ["\t".join(_COLUMNS), *lines])
        write_json(folder / f"{stem}.json", _sidecar(coil, magnetic, kinds))
    ignored = root / ".bidsignore"
    if not ignored.exists():
        ignored.write_text("**/nibs\n", encoding="utf-8")


def _kind(event: StimulusEvent) -> str:
    stimulus = event.stimulus
    if math.isnan(stimulus.isi_ms):
        return stimulus.stim_type
    return f"{stimulus.stim_type}, {stimulus.isi_ms:g} ms, first {stimulus.cond_intensity_mso:g} % MSO"


def _firsts(events: Sequence[StimulusEvent]) -> list[StimulusEvent]:
    found: dict[str, StimulusEvent] = {}
    for event in events:
        found.setdefault(_kind(event), event)
    return list(found.values())


def _line(event: StimulusEvent, kind: str, coil: CoilDescribed) -> str:
    cells = (
        str(event.sweep), event.condition, kind, "coil-1", event.stimulus.intensity_mso, coil.orientation, event.target,
        event.session_s,
    )  # fmt: skip
    return "\t".join(to_cell(cell) for cell in cells)


def _sidecar(coil: CoilDescribed, events: Sequence[StimulusEvent], kinds: dict[str, str]) -> dict[str, object]:
    stimuli = []
    for event in _firsts(events):
        isi_ms = event.stimulus.isi_ms
        described: dict[str, object] = {
            "StimID": kinds[_kind(event)],
            "StimulusType": event.stimulus.stim_type,
            "PulseCount": len(event.stimulus.pulses),
            "PulseWaveform": coil.pulse_shape or "n/a",
            "PulseCurrentDirection": coil.brain_current or "n/a",
        }
        if not math.isnan(isi_ms):
            described |= {
                "PulseRepetitionInterval": isi_ms / 1e3,
                "FirstPulseIntensity": event.stimulus.cond_intensity_mso,
            }
        stimuli.append(described)
    return {
        "DraftOfTheStandard": DRAFT,
        "CoilSet": [{"CoilID": "coil-1", "CoilType": coil.type, "CoilDiameter": coil.size or "n/a"}],
        "StimulusSet": stimuli,
        "IntensityUnit": "percent of the maximum stimulator output",
    }
