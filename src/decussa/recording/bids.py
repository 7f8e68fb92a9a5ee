"""The files that stand beside a recording in a BIDS data set, found by the inheritance principle.

Published source: Gorgolewski et al. 2016, doi 10.1038/sdata.2016.44, and the Brain Imaging Data Structure specification
1.11 (datatype ``emg``).
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path, PurePath
from typing import Any

from decussa.model.errors import RecordingError
from decussa.recording.sheet import MISSING, Sheet, read_sheet, read_text

#: What the report may say about the set-up, and the sidecar field it comes from.
_FACTS = {
    "Task": "TaskDescription",
    "Instructions": "Instructions",
    "Electrode placement": "EMGPlacementSchemeDescription",
    "Reference": "EMGReference",
    "Ground": "EMGGround",
    "Electrode type": "ElectrodeType",
    "Electrode material": "ElectrodeMaterial",
    "Distance between electrodes (mm)": "InterelectrodeDistance",
    "Skin preparation": "SkinPreparation",
    "Hardware filters": "HardwareFilters",
    "Software filters": "SoftwareFilters",
    "Power line (Hz)": "PowerLineFrequency",
    "Gain": "Gain",
}
#: Endings of the files whose content a trial table follows from.
_DECIDING = ("channels.tsv", "events.tsv", "emg.json", "events.json")
_PERSON_FACTS = {"Age": "age", "Sex": "sex", "Handedness": "handedness", "Height (cm)": "height"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Sidecars:
    """What stands beside one recording. ``name`` is its path from the root of the data set, or its file name."""

    name: str
    root: Path | None = None
    participant: str = ""
    session: str = ""
    task: str = ""
    run: str = ""
    start: str = ""
    channels: Sheet | None = None
    events: Sheet | None = None
    facts: dict[str, str] = field(default_factory=dict)


def find_sidecars(path: Path) -> Sidecars:
    """Return what stands beside ``path``; nearly nothing where its name is no BIDS name."""
    entities = _entities(path)
    if not path.stem.endswith("_emg") or "sub" not in entities:
        return Sidecars(name=path.name, participant=entities.get("sub", ""), session=entities.get("ses", ""))
    root = find_root(path)
    sidecar = _merge_json(path, root, entities, "emg")
    events = _nearest(path, root, entities, "events.tsv")
    channels = _nearest(path, root, entities, "channels.tsv")
    facts = {label: _say(sidecar[name]) for label, name in _FACTS.items() if _is_said(sidecar.get(name))}
    if root is not None:
        facts |= _person_facts(root, entities["sub"])
    facts |= _condition_facts(_merge_json(path, root, entities, "events"))
    return Sidecars(
        name=path.relative_to(root).as_posix() if root is not None else path.name,
        root=root,
        participant=entities["sub"],
        session=entities.get("ses", ""),
        task=entities.get("task", ""),
        run=entities.get("run", ""),
        start=_acquired(path, root),
        channels=read_sheet(channels) if channels else None,
        events=read_sheet(events) if events else None,
        facts=facts,
    )


def deciding_files(path: Path) -> tuple[Path, ...]:
    """Return the files beside a recording that decide with it what its trial table holds: channels, events, sidecars."""
    entities = _entities(path)
    if not path.stem.endswith("_emg") or "sub" not in entities:
        return ()
    folders = _folders(path, find_root(path))
    return tuple(
        found for folder in folders for ending in _DECIDING for found in sorted(_applying(folder, entities, ending))
    )


def belongs_to(candidate: PurePath, recording: PurePath) -> bool:
    """Return whether a file belongs to a recording by the inheritance principle: table or JSON, above it, no entity differs."""
    return (
        candidate.suffix in {".tsv", ".json"}
        and recording.stem.endswith("_emg")
        and recording.is_relative_to(candidate.parent)
        and _entities(candidate).items() <= _entities(recording).items()
    )


def find_root(path: Path) -> Path | None:
    """Return the folder of the data set that ``path`` lies in: the nearest with ``dataset_description.json``."""
    return next((folder for folder in path.parents if (folder / "dataset_description.json").is_file()), None)


def _entities(path: PurePath) -> dict[str, str]:
    return dict(re.findall(r"(?:^|_)([a-z]+)-([A-Za-z0-9+]+)", path.name))


def _folders(path: Path, root: Path | None) -> list[Path]:
    """Return the folders whose sidecars may apply to ``path``, nearest first."""
    if root is None:
        return [path.parent]
    return [folder for folder in path.parents if folder == root or root in folder.parents]


def _applying(folder: Path, entities: Mapping[str, str], ending: str) -> list[Path]:
    """Return files of ``folder`` that apply to a recording: none of their entities differs; the most special first."""
    named = [(candidate, _entities(candidate)) for candidate in folder.glob(f"*{ending}")]
    fitting = [
        (candidate, own)
        for candidate, own in named
        if re.fullmatch(rf"(?:.*_)?{re.escape(ending)}", candidate.name) and own.items() <= dict(entities).items()
    ]
    return [candidate for candidate, own in sorted(fitting, key=lambda item: (-len(item[1]), item[0].name))]


def _nearest(path: Path, root: Path | None, entities: Mapping[str, str], ending: str) -> Path | None:
    return next((found for folder in _folders(path, root) for found in _applying(folder, entities, ending)), None)


def _merge_json(path: Path, root: Path | None, entities: Mapping[str, str], suffix: str) -> dict[str, Any]:
    """Return the fields of all sidecars that apply; the nearer and more special one wins."""
    merged: dict[str, Any] = {}
    for folder in reversed(_folders(path, root)):
        for found in reversed(_applying(folder, entities, f"{suffix}.json")):
            merged |= _read_json(found)
    return merged


def _read_json(path: Path) -> dict[str, Any]:
    text = read_text(path)
    try:
        content = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise RecordingError(
            "sidecar is not valid JSON", where=path, found=str(error), do="correct the file"
        ) from error
    if not isinstance(content, dict):
        raise RecordingError("sidecar is not a JSON object", where=path, expected="fields in braces")
    return content


def _is_said(value: object) -> bool:
    return value is not None and str(value).strip().lower() not in MISSING


def _say(value: object) -> str:
    """Return a sidecar's value as text: objects as ``name: field value, …``."""
    if isinstance(value, Mapping):
        return "; ".join(f"{name}: {_say(inner)}" if isinstance(inner, Mapping) else f"{name} {_say(inner)}"
                         for name, inner in value.items())  # fmt: skip
    if isinstance(value, list):
        return ", ".join(_say(inner) for inner in value)
    return f"{value:g}" if isinstance(value, float) else str(value)


def _person_facts(root: Path, participant: str) -> dict[str, str]:
    table = root / "participants.tsv"
    if not table.is_file():
        return {}
    sheet = read_sheet(table)
    row = next(
        (row for row in range(len(sheet.rows)) if sheet.cell(row, "participant_id") == f"sub-{participant}"), None
    )
    if row is None:
        return {}
    return {label: text for label, column in _PERSON_FACTS.items() if (text := sheet.cell(row, column))}


def _condition_facts(described: Mapping[str, Any]) -> dict[str, str]:
    condition = described.get("condition", {})
    levels = condition.get("Levels", {}) if isinstance(condition, Mapping) else {}
    return (
        {f"Condition {name}": _say(meaning) for name, meaning in levels.items()} if isinstance(levels, Mapping) else {}
    )


def _acquired(path: Path, root: Path | None) -> str:
    """Return when the recording was made, from ``scans.tsv``."""
    for folder in _folders(path, root):
        for table in sorted(folder.glob("sub-*_scans.tsv")):
            sheet = read_sheet(table)
            wanted = path.relative_to(folder).as_posix()
            for row in range(len(sheet.rows)):
                if sheet.cell(row, "filename") == wanted:
                    return sheet.cell(row, "acq_time")
    return ""
