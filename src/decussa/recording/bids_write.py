"""A BIDS data set of stimulated EMG, described so that others can read it.

Published source: the Brain Imaging Data Structure specification 1.11, datatype ``emg``.
"""

from __future__ import annotations

import math
import shutil
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import Any

from decussa.model.errors import UsageError
from decussa.recording.bids_files import to_cell, write_json, write_lines
from decussa.recording.bids_run import RunToWrite, check_labels, write_run
from decussa.recording.whole_file import refusal

BIDS_VERSION = "1.11.1"
#: Ages from here on are not told: Brain Imaging Data Structure 1.11, column ``age`` of participants.tsv.
_OLDEST = 89
_PERSON_COLUMNS: dict[str, dict[str, Any]] = {
    "age": {"Description": "Age of the participant", "Units": "year"},
    "sex": {"Description": "Sex as the participant reports it", "Levels": {"F": "female", "M": "male", "O": "other"}},
    "handedness": {
        "Description": "Hand the participant writes with",
        "Levels": {"R": "right", "L": "left", "A": "either"},
    },
    "height": {"Description": "Body height, on which latencies depend", "Units": "cm"},
    "species": {"Description": "Species of the participant"},
}


def write_bids_dataset(
    root: str | Path,
    *,
    name: str,
    readme: str,
    participants: Sequence[Mapping[str, str | float]],
    runs: Iterable[RunToWrite],
    authors: Sequence[str] = ("Decussa", "its virtual participants"),
    version: str = "",
    license_name: str = "CC0",
    approvals: Sequence[str] = (),
    changed_on: date | None = None,
    beside: Callable[[Path], None] | None = None,
) -> tuple[Path, ...]:
    """Write a data set that the official validator passes; whole or not at all.

    Parameters
    ----------
    root : str or Path
        Folder to make; it must not exist, or be empty.
    name, readme : str
        Title, and text of the README (Markdown).
    participants : sequence of mappings
        ``participant_id`` (with or without ``sub-``), and any of ``age``, ``sex``, ``handedness``, ``height``, ``species``.
        Ages from 89 are written as ``89+``, as the standard asks.
    runs : iterable of RunToWrite
        Taken one after the other, so that they need not be in memory together.
    authors, version, license_name
        For the description; ``version`` is that of this program.
    approvals : sequence of str
        Numbers of ethics approvals.
    changed_on : date, optional
        Of the file of changes; the latest recording's where omitted.
    beside : callable, optional
        Called with the folder before it gets its name, to add what else belongs into it.

    Returns
    -------
    tuple of Path: the recordings written, in order.

    Raises
    ------
    UsageError
        If a label, a channel or the range does not fit the format.
    MachineError
        If the machine refuses.
    """
    target = Path(root)
    partial = target.with_name(f".{target.name}-partial")
    if target.exists() and (not target.is_dir() or any(target.iterdir())):
        raise UsageError("folder is not empty", where=target, do="name a folder that does not exist yet")
    try:
        shutil.rmtree(partial, ignore_errors=True)
        partial.mkdir(parents=True)
        try:
            _write_description(
                partial,
                name=name,
                readme=readme,
                authors=authors,
                version=version,
                licence=license_name,
                approvals=approvals,
            )
            _write_participants(partial, participants)
            written = _write_runs(partial, runs, changed_on)
            if beside is not None:
                beside(partial)
            if target.exists():
                target.rmdir()
            partial.rename(target)
        finally:
            shutil.rmtree(partial, ignore_errors=True)
    except OSError as error:
        raise refusal(target, error) from error
    return tuple(target / path.relative_to(partial) for path in written)


def _write_runs(root: Path, runs: Iterable[RunToWrite], changed_on: date | None) -> list[Path]:
    written: list[Path] = []
    scans: dict[Path, list[str]] = {}
    sessions: dict[Path, dict[str, str]] = {}
    latest = None
    for run in runs:
        check_labels(run)
        latest = max(filter(None, (latest, run.start)), default=None)
        folder = root / f"sub-{run.participant}" / (f"ses-{run.session}" if run.session else "")
        path = write_run(folder / "emg", run)
        written.append(path)
        when = run.start.isoformat(timespec="milliseconds").replace("+00:00", "Z") if run.start else "n/a"
        entities = f"sub-{run.participant}" + (f"_ses-{run.session}" if run.session else "")
        scans.setdefault(folder / f"{entities}_scans.tsv", []).append(f"emg/{path.name}\t{when}")
        if run.session:
            table = root / f"sub-{run.participant}" / f"sub-{run.participant}_sessions.tsv"
            sessions.setdefault(table, {}).setdefault(f"ses-{run.session}", when)
    if day := changed_on or (latest.date() if latest else None):
        write_lines(root / "CHANGES", [f"1.0.0 {day.isoformat()}", "  - First version."])
    for table, lines in scans.items():
        write_lines(table, ["filename\tacq_time", *lines])
    for table, rows in sessions.items():
        write_lines(table, ["session_id\tacq_time", *(f"{label}\t{when}" for label, when in rows.items())])
    return written


def _write_description(
    root: Path, *, name: str, readme: str, authors: Sequence[str], version: str, licence: str, approvals: Sequence[str]
) -> None:
    write_json(
        root / "dataset_description.json",
        {
            "Name": name,
            "BIDSVersion": BIDS_VERSION,
            "DatasetType": "raw",
            "License": licence,
            "Authors": list(authors),
            "GeneratedBy": [{"Name": "decussa"} | ({"Version": version} if version else {})],
        }
        | ({"EthicsApprovals": list(approvals)} if approvals else {}),
    )
    (root / "README.md").write_text(readme.rstrip() + "\n", encoding="utf-8")


def _write_participants(root: Path, participants: Sequence[Mapping[str, str | float]]) -> None:
    unknown = {key for person in participants for key in person} - {"participant_id", *_PERSON_COLUMNS}
    if unknown:
        raise UsageError(
            "column of participants is not known", expected=", ".join(_PERSON_COLUMNS), found=", ".join(sorted(unknown))
        )
    names = [name for name in _PERSON_COLUMNS if any(name in person for person in participants)]
    rows = [
        "\t".join(
            [
                f"sub-{str(person['participant_id']).removeprefix('sub-')}",
                *(_person_cell(name, person.get(name, "")) for name in names),
            ]
        )
        for person in participants
    ]
    write_lines(root / "participants.tsv", ["\t".join(["participant_id", *names]), *rows])
    write_json(root / "participants.json", {name: _PERSON_COLUMNS[name] for name in names})


def _person_cell(name: str, value: str | float) -> str:
    """Return a cell; who is very old could be known by it, so that ages from 89 are told as that."""
    if name == "age" and _years(value) >= _OLDEST:
        return f"{_OLDEST}+"
    return to_cell(value)


def _years(value: str | float) -> float:
    """Return an age as a number, also where it stands as text; NaN where it is none, such as ``89+``."""
    try:
        return float(value)
    except ValueError:
        return math.nan
