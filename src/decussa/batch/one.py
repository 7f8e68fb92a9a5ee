"""One recording of many: read, measured, and its rows kept; whatever happens to it becomes an outcome, not a crash."""

from __future__ import annotations

import hashlib
import json
import traceback
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd

from decussa.batch.measure import Progress, measure_recording
from decussa.batch.parts import Part, PartStore
from decussa.batch.proof import prove_delivery
from decussa.batch.settings import MeasureSettings
from decussa.model.errors import DecussaError, MachineError, RecordingError
from decussa.model.recording import Channel
from decussa.model.trial import VERDICTS
from decussa.model.version import VERSION
from decussa.recording.bids import deciding_files, find_root
from decussa.recording.places import at_hand
from decussa.recording.read import fingerprint, read


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """One recording to measure: where it lies, what belongs to it in a store, and the site it counts to."""

    place: str
    with_it: tuple[str, ...] = ()
    site: str = ""
    identity: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """How each recording is read and measured, and where its rows go: into ``parts``, or back to who asked.

    ``reading`` holds further arguments of ``recording.read.read``. ``version`` is the program's that gave the job.
    """

    settings: MeasureSettings = field(default_factory=MeasureSettings)
    reading: Mapping[str, Any] = field(default_factory=dict)
    parts: PartStore | None = None
    version: str = VERSION


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What became of one recording.

    Parameters
    ----------
    place : str
        The recording.
    verdicts : dict of str to int
        Rows of each verdict; empty where it was refused.
    provenance : dict
        Version, settings, and the SHA-256 of every file the rows follow from.
    notes : tuple of str
        What was assumed while reading.
    unchanged : bool
        The rows were there already.
    trials : DataFrame or None
        The rows, where they are not kept in parts.
    refused : DecussaError or None
        Why there are none.
    fault, trace : str
        A fault of the program, and where it arose.
    """

    place: str
    verdicts: Mapping[str, int] = field(default_factory=dict)
    provenance: Mapping[str, Any] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    unchanged: bool = False
    trials: pd.DataFrame | None = None
    refused: DecussaError | None = None
    fault: str = ""
    trace: str = ""

    @property
    def rows(self) -> int:
        """Rows of the trial table."""
        return sum(self.verdicts.values())


def measure_one(job: Job, source: Source, known: Part | None = None, progress: Progress | None = None) -> Outcome:
    """Measure one recording; ``known`` is the part that holds its rows already, if there is one.

    Raises
    ------
    MachineError
        If this process runs another version of the program than the one that gave the job.
    """
    if job.version != VERSION:
        raise MachineError("a worker runs another version", expected=job.version, found=VERSION, do="install the same")
    try:
        with at_hand(source.place, source.with_it) as path:
            return _measure_file(job, source, path, known, progress)
    except DecussaError as error:
        if job.parts is not None and known is not None and isinstance(error, RecordingError):
            job.parts.drop(known)
        return Outcome(place=source.place, refused=error)
    except Exception as error:  # noqa: BLE001  one recording must not stop thousands; it is told as a fault at the end
        said = f"{type(error).__name__}: {error}"
        return Outcome(place=source.place, fault=said, trace=traceback.format_exc())


def _measure_file(job: Job, source: Source, path: Path, known: Part | None, progress: Progress | None) -> Outcome:
    parts = job.parts
    files = _digests(path, job.reading)
    provenance = {"version": VERSION, "settings": settings_text(job), "files": files, "site": source.site}
    state = hashlib.sha256(json.dumps(provenance, sort_keys=True).encode()).hexdigest()
    held = None if parts is None else parts.find(known, source.identity, state)
    if held is not None:
        return Outcome(
            place=source.place, verdicts=held["verdicts"], provenance=held, notes=tuple(held["notes"]), unchanged=True
        )
    recording = read(path, **job.reading)
    trials = measure_recording(recording, job.settings, progress)
    verdicts: dict[str, int] = {kind: int((trials["verdict"] == kind).sum()) for kind in VERDICTS}
    notes = tuple(f"{recording.name}: {note}" for note in recording.notes)
    provenance |= {"recording": recording.name, "verdicts": verdicts, "notes": list(notes)}
    provenance["windows"] = windows_used(recording.channels, job.settings)
    provenance["delivery"] = prove_delivery(recording, trials).as_dict()
    if parts is None:
        return Outcome(place=source.place, verdicts=verdicts, provenance=provenance, notes=notes, trials=trials)
    parts.keep(trials, provenance, source.identity, state, known)
    return Outcome(place=source.place, verdicts=verdicts, provenance=provenance, notes=notes)


def windows_used(channels: Sequence[Channel], settings: MeasureSettings) -> list[str]:
    """Return the names of windows asked for that a channel or its muscle has."""
    names = {name for channel in channels for name in (channel.name, channel.muscle.key)}
    return sorted(names & {*settings.windows, *settings.m_windows})


def settings_text(job: Job) -> str:
    """Return how a job measures, as text that is the same for the same settings."""
    return json.dumps(asdict(job.settings), sort_keys=True)


def _digests(path: Path, reading: Mapping[str, Any]) -> dict[str, str]:
    """Return the SHA-256 of the recording and of all that its table follows from, by name within the data set."""
    root = find_root(path) or path.parent
    found = {_name(file, root): fingerprint(file) for file in (path, *deciding_files(path))}
    given = {name: Path(value) for name, value in reading.items() if isinstance(value, (str, Path)) and str(value)}
    told = {f"--{name}": fingerprint(file) for name, file in given.items()}
    plain = {f"--{name}": repr(value) for name, value in reading.items() if name not in given and value is not None}
    return found | told | plain


def _name(file: Path, root: Path) -> str:
    return file.relative_to(root).as_posix() if file.is_relative_to(root) else file.name
