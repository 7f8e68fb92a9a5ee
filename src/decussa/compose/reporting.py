"""Reports on recordings: finds the sessions in a folder, measures and sums up each, and writes its pages."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd

from decussa.batch.many import FilesProgress
from decussa.batch.measure import measure_recording
from decussa.batch.summary import summarise
from decussa.compose.reviewed_trials import FIRST
from decussa.compose.study_reports import is_study, report_study, study_methods
from decussa.model.errors import UsageError
from decussa.model.recording import Recording
from decussa.recording.read import find_recordings, fingerprint, read
from decussa.recording.whole_file import make_folder, whole_file
from decussa.report.session_report import Reported, session_methods, write_session_report

#: Folder for reports where none is named.
REPORTS = Path("reports")


@dataclass(frozen=True, slots=True)
class _Session:
    """The recordings of one participant in one session."""

    participant: str
    session: str
    recordings: tuple[Recording, ...]

    @property
    def stem(self) -> str:
        """Name of its report, without ending."""
        parts = [part for part in (self.participant, self.session) if part]
        return "-".join(parts) if parts else Path(self.recordings[0].path).stem


def report_sessions(
    folder: Path,
    *,
    session: str = "",
    out: Path | None = None,
    rater: str = FIRST,
    progress: FilesProgress | None = None,
) -> tuple[Path, ...]:
    """Write a report for each session found in ``folder`` (or the one named) and return the files.

    Parameters
    ----------
    folder : Path
        Study folder, BIDS data set, folder of recordings, or one recording.
    session : str
        ``PARTICIPANT`` or ``PARTICIPANT/SESSION``, with or without their BIDS prefixes (of a study: the session's name);
        empty for all.
    out : Path, optional
        A PDF where there is one session, else a folder; ``reports`` in the current folder where omitted.
    rater : str
        Of a study: whose verdicts and marks the report holds; the first rater's where omitted, ``automatic`` for none.
    progress : callable, optional
        Told of recordings and sweeps as they are measured.

    Raises
    ------
    RecordingError
        If a recording cannot be believed.
    UsageError
        If no session fits, one PDF is named for several, or a rater is named where nothing can be reviewed.
    """
    if is_study(folder):
        return report_study(folder, session=session, out=out, rater=rater)
    if rater != FIRST:
        raise UsageError("only a study has raters", where="--rater", expected="a study folder", found=str(folder))
    files = find_recordings([folder])
    sessions = _choose(list(_sessions(files)), session)
    written = []
    done = 0
    for found in sessions:
        path = _target(found, out, several=len(sessions) > 1)
        tables = []
        for recording in found.recordings:
            done += 1

            def step(sweep: int, total: int, number: int = done, path: str = recording.path) -> None:
                if progress is not None:
                    progress(number, len(files), path, sweep, total)

            tables.append(measure_recording(recording, progress=step))
        trials = pd.concat(tables, ignore_index=True)
        reported = Reported(recordings=found.recordings, trials=trials, summary=summarise(trials))
        written.append(write_session_report(path, reported))
    return tuple(written)


def methods_of(folder: Path, *, session: str = "", rater: str = FIRST) -> str:
    """Return how sessions were measured, as text to paste: of each a paragraph, the method of each value, the checklist.

    Parameters and errors are those of ``report_sessions``.
    """
    if is_study(folder):
        return study_methods(folder, session=session, rater=rater)
    parts = []
    for found in _choose(list(_sessions(find_recordings([folder]))), session):
        trials = pd.concat([measure_recording(recording) for recording in found.recordings], ignore_index=True)
        reported = Reported(recordings=found.recordings, trials=trials, summary=summarise(trials))
        parts.append(session_methods(reported)[0])
    return "\n".join(parts)


def write_methods(path: Path, text: str) -> Path:
    """Write a text whole or not at all; return its path."""
    with whole_file(path) as partial:
        partial.write_text(text, encoding="utf-8")
    return path


def _sessions(files: Sequence[Path]) -> Iterator[_Session]:
    groups: dict[tuple[str, str], list[Recording]] = {}
    for path in files:
        recording = replace(read(path), sha256=fingerprint(path))
        key = (recording.participant, recording.session)
        groups.setdefault(key if any(key) else ("", recording.name), []).append(recording)
    in_time = sorted(groups.items(), key=lambda group: (group[0][0], min(recording.start for recording in group[1])))
    for (participant, session), recordings in in_time:
        known = session if participant else recordings[0].session
        yield _Session(participant, known, tuple(sorted(recordings, key=lambda recording: recording.start)))


def _choose(sessions: Sequence[_Session], asked: str) -> list[_Session]:
    if not asked:
        return list(sessions)
    participant, _, session = asked.partition("/")
    participant, session = participant.removeprefix("sub-"), session.removeprefix("ses-")
    chosen = [
        found for found in sessions if found.participant == participant and (not session or found.session == session)
    ]
    if not chosen:
        names = ", ".join(f"{found.participant}/{found.session}".strip("/") for found in sessions)
        raise UsageError("no such session", where="--session", expected=names, found=repr(asked))
    return chosen


def _target(found: _Session, out: Path | None, *, several: bool) -> Path:
    folder = out or REPORTS
    if folder.suffix.lower() == ".pdf":
        if several:
            raise UsageError("one PDF cannot hold several sessions", where="--out", expected="a folder", found=str(out))
        return folder
    return make_folder(folder) / f"{found.stem}.pdf"
