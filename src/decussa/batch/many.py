"""Many recordings, one table or one data set: the good ones are measured, the bad ones are listed at the end.

A table is written in the order of the recordings while they are measured. A data set (a folder) holds a file for each
recording; what is in it already and has not changed is not measured again, so that a run that was broken off goes on.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path, PurePosixPath
from typing import Any

from decussa.batch.one import Job, Outcome, Source
from decussa.batch.parts import PartStore
from decussa.batch.settings import MeasureSettings
from decussa.batch.sources import find_sources
from decussa.batch.workers import Task, in_processes, in_turn, on_cluster
from decussa.model.errors import DecussaError, UsageError
from decussa.model.trial import VERDICTS
from decussa.recording.mapping_file import read_mapping
from decussa.recording.parquet import need_parquet
from decussa.recording.places import is_remote, local_path, send
from decussa.recording.tables import TableWriter, check_table_path, open_table

#: Called with the number of the recording in hand (from 1), how many there are, where it lies, sweeps done, sweeps in all.
FilesProgress = Callable[[int, int, str, int, int], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Archive:
    """What became of a batch.

    Parameters
    ----------
    out : str
        Table or data set; empty where no row was written.
    measured, unchanged : tuple of str
        Recordings that were measured now, and those whose rows were there already.
    verdicts : dict of str to int
        Rows of each verdict.
    refused : tuple of (str, DecussaError)
        Recordings without rows, and why.
    faults : tuple of (str, str, str)
        Faults of the program: recording, what it said, where it arose.
    notes : tuple of str
        What was assumed while reading, and what is odd about the batch.
    delivery : dict of str to dict
        For each recording what it shows of its pulses, as ``proof.DeliveryProof.as_dict`` gives it.
    """

    out: str = ""
    measured: tuple[str, ...] = ()
    unchanged: tuple[str, ...] = ()
    verdicts: Mapping[str, int] = field(default_factory=dict)
    refused: tuple[tuple[str, DecussaError], ...] = ()
    faults: tuple[tuple[str, str, str], ...] = ()
    notes: tuple[str, ...] = ()
    delivery: Mapping[str, Any] = field(default_factory=dict)

    @property
    def rows(self) -> int:
        """Rows of the trial table."""
        return sum(self.verdicts.values())

    def as_dict(self) -> dict[str, Any]:
        """Return it for machines."""
        return {
            "table": self.out or None,
            "recordings": sorted({*self.measured, *self.unchanged}),
            "unchanged": len(self.unchanged),
            "rows": self.rows,
            "verdicts": dict(self.verdicts),
            "notes": list(self.notes),
            "delivery": dict(self.delivery),
            "refused": [{"recording": place, "reason": str(error)} for place, error in self.refused],
            "faults": [{"recording": place, "fault": fault} for place, fault, _ in self.faults],
        }


def measure_archive(
    paths: Sequence[str | Path] | str | Path,
    out: str | Path,
    *,
    settings: MeasureSettings | None = None,
    events: str | Path | None = None,
    mapping: str | Path | None = None,
    site: str = "",
    workers: int = 1,
    scheduler: str = "",
    progress: FilesProgress | None = None,
    **reading: Any,
) -> Archive:
    """Measure every recording that ``paths`` name into a table or a data set.

    A recording that cannot be believed is refused with its reason and does not stop the others.

    Parameters
    ----------
    paths : str, Path, or sequence of them
        Files, folders, BIDS roots, patterns, or URLs of them.
    out : str or Path
        A table (``.csv``, ``.tsv``, ``.parquet``), or a folder: a Parquet data set by site and participant, in which
        recordings that did not change since they were measured are left as they are.
    settings : MeasureSettings, optional
        How to measure.
    events, mapping : str or Path, optional
        As ``recording.read.read`` takes them; a sheet of events belongs to one recording.
    site : str
        Where the recordings were made; the name of their BIDS data set where omitted.
    workers : int
        Processes of this machine.
    scheduler : str
        Address of a Dask cluster that does the work instead.
    progress : callable, optional
        See ``FilesProgress``.
    **reading
        Further arguments of ``recording.read.read``.

    Raises
    ------
    RecordingError
        If ``paths`` name no recording at all.
    UsageError
        If arguments contradict each other.
    MachineError, MissingPartError
        If the place to write to refuses, the cluster cannot be used, or an optional part is not installed.
    """
    check_out(out)
    sources = find_sources([paths] if isinstance(paths, (str, Path)) else paths, site)
    if events is not None and len(sources) != 1:
        raise UsageError("a sheet of stimuli belongs to one recording", expected="one path", found=f"{len(sources)}")
    if workers < 1:
        raise UsageError("no worker", where="workers", expected="1 or more", found=str(workers))
    if mapping is not None:
        read_mapping(mapping)  # A fault in it is said once, not for each recording.
    job = Job(
        settings=settings or MeasureSettings(),
        reading={
            name: value for name, value in {**_absolute(events=events, mapping=mapping), **reading}.items() if value
        },
    )
    if is_data_set(out):
        return _into_data_set(job, sources, str(out), workers, scheduler, progress)
    return _into_table(job, sources, str(out), workers, scheduler, progress)


def _absolute(**paths: str | Path | None) -> dict[str, Path | None]:
    """Return paths that mean the same wherever a worker was started."""
    return {name: None if path is None else Path(path).absolute() for name, path in paths.items()}


def is_data_set(out: str | Path) -> bool:
    """Return whether ``out`` means a folder: it is one, or has no ending."""
    return (not is_remote(out) and Path(out).is_dir()) or not PurePosixPath(str(out)).suffix


def check_out(out: str | Path) -> None:
    """Refuse a place that no table or data set can be written to.

    Raises
    ------
    UsageError
        If its ending is that of no table.
    MissingPartError
        If Parquet is asked for and not installed.
    """
    if is_data_set(out):
        need_parquet(out)
    else:
        check_table_path(PurePosixPath(str(out)).name if is_remote(out) else out)


def _into_data_set(
    job: Job, sources: Sequence[Source], out: str, workers: int, scheduler: str, progress: FilesProgress | None
) -> Archive:
    root = out if is_remote(out) else str(local_path(out).absolute())
    there = PartStore(root).list_parts()
    asked = {source.identity for source in sources}
    elsewhere = {part.state: part.places[0] for name, part in there.items() if part.state and name not in asked}
    job = replace(job, parts=PartStore(root, elsewhere))
    tasks = [Task(source, there.get(source.identity)) for source in sources]
    outcomes = [_slim(outcome) for outcome in _work(job, tasks, workers, scheduler, progress)]
    PartStore(root).tidy(asked)
    archive = _sum_up(job, outcomes)
    return replace(archive, out=out if archive.rows else "")


def _into_table(
    job: Job, sources: Sequence[Source], out: str, workers: int, scheduler: str, progress: FilesProgress | None
) -> Archive:
    outcomes = []
    with ExitStack() as stack:
        writer: TableWriter | None = None
        for outcome in _work(job, [Task(source) for source in sources], workers, scheduler, progress):
            if outcome.trials is not None:
                writer = writer or stack.enter_context(_open(out))
                writer.add(outcome.trials, outcome.provenance)
            outcomes.append(_slim(outcome))
    return replace(_sum_up(job, outcomes), out=out if writer is not None else "")


@contextmanager
def _open(out: str) -> Iterator[TableWriter]:
    """Open a table to write to, on disk or in a store; it is there when the block ends well."""
    if not is_remote(out):
        with open_table(out) as writer:
            yield writer
        return
    with tempfile.TemporaryDirectory(prefix="decussa-") as scratch:
        path = Path(scratch) / PurePosixPath(out).name
        with open_table(path) as writer:
            yield writer
        send(path, out)


def _work(
    job: Job, tasks: Sequence[Task], workers: int, scheduler: str, progress: FilesProgress | None
) -> Iterator[Outcome]:
    """Yield the outcomes in the order of the tasks, whoever does the work, and tell how far it is."""
    number = 0

    def tell(done: int, total: int) -> None:
        if progress is not None and number < len(tasks):
            progress(number + 1, len(tasks), tasks[number].source.place, done, total)

    tell(0, 0)
    if scheduler:
        outcomes = on_cluster(job, tasks, scheduler)
    elif workers > 1:
        outcomes = in_processes(job, tasks, workers)
    else:
        outcomes = in_turn(job, tasks, tell)
    for outcome in outcomes:
        yield outcome
        number += 1
        tell(0, 0)


def _slim(outcome: Outcome) -> Outcome:
    """Return what is needed at the end: thousands are held in memory until then."""
    kept = {name: outcome.provenance[name] for name in ("files", "delivery", "windows") if name in outcome.provenance}
    return replace(outcome, trials=None, provenance=kept)


def _sum_up(job: Job, outcomes: Sequence[Outcome]) -> Archive:
    verdicts: dict[str, int] = dict.fromkeys(VERDICTS, 0)
    for outcome in outcomes:
        for kind, rows in outcome.verdicts.items():
            verdicts[kind] += rows
    done = [outcome for outcome in outcomes if outcome.refused is None and not outcome.fault]
    return Archive(
        measured=tuple(outcome.place for outcome in done if not outcome.unchanged),
        unchanged=tuple(outcome.place for outcome in done if outcome.unchanged),
        verdicts=verdicts,
        refused=tuple((outcome.place, outcome.refused) for outcome in outcomes if outcome.refused is not None),
        faults=tuple((outcome.place, outcome.fault, outcome.trace) for outcome in outcomes if outcome.fault),
        notes=(*(note for outcome in outcomes for note in outcome.notes), *_copies(done), *_unused(job.settings, done)),
        delivery={outcome.place: proof for outcome in done if (proof := outcome.provenance.get("delivery"))},
    )


def _unused(settings: MeasureSettings, outcomes: Sequence[Outcome]) -> Iterator[str]:
    """Yield a note for each window asked for that no recording had a use for."""
    told = [outcome.provenance["windows"] for outcome in outcomes if "windows" in outcome.provenance]
    used = {name for names in told for name in names}
    for name in sorted({*settings.windows, *settings.m_windows} - used) if 0 < len(told) == len(outcomes) else ():
        yield f"the window asked for {name!r} was not used: no channel and no muscle has this name"


def _copies(outcomes: Sequence[Outcome]) -> Iterator[str]:
    """Yield a note for each recording whose bytes are those of another one: its trials would count twice."""
    first: dict[str, str] = {}
    for outcome in outcomes:
        key = str(sorted(outcome.provenance["files"].values()))
        if key in first:
            yield f"{outcome.place} holds the same bytes as {first[key]}: its trials are counted twice"
        first.setdefault(key, outcome.place)
