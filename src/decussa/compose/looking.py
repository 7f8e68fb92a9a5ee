"""Looks on: which studies lie in a folder, what a session holds, and the sweep of an entry; never writes."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from decussa.compose.rehearsals import VIRTUAL_MORNING
from decussa.compose.study_reports import debrief_session
from decussa.model.errors import UsageError
from decussa.model.muscle import muscle_and_side
from decussa.model.recording import Channel
from decussa.model.sweep import Sweep
from decussa.protocol.schema import Protocol, read_protocol
from decussa.session.clock import from_text
from decussa.session.debrief import Debrief
from decussa.session.live_view import Given
from decussa.session.measuring import window_of
from decussa.session.recovery import last_start
from decussa.store.chain import Entry
from decussa.store.journal import open_journal
from decussa.store.people import participants
from decussa.store.study import STUDY_FILE, open_study

#: How the codes of virtual participants begin; nobody else gets one.
VIRTUAL = "V-"


def studies_in(root: Path) -> tuple[Path, ...]:
    """Return the study folders of a place: itself where it is one, its folders, and where rehearsals are kept apart."""
    itself = (root,) if (root / STUDY_FILE).is_file() else ()
    return itself + tuple(sorted(path.parent for path in rehearsals_home(root).glob(f"*/{STUDY_FILE}")))


def rehearsals_home(root: Path) -> Path:
    """Return where rehearsals are made: in a folder of studies beside them, in a study in a folder of its own."""
    return root / "rehearsals" if (root / STUDY_FILE).is_file() else root


def is_rehearsal(pseudonym: str, entries: Sequence[Entry]) -> bool:
    """Whether a session is one on a virtual participant."""
    started = last_start(entries)
    return started.source == "virtual" if started else pseudonym.startswith(VIRTUAL)


def is_quick(folder: Path) -> bool:
    """Whether a rehearsal's study was made on the virtual clock, on which no interval is waited for."""
    with open_study(folder, write=False) as study, open_journal(study) as journal:
        return from_text(journal.entries()[0].at).date() == VIRTUAL_MORNING.date()


def read_session(folder: Path, session: str) -> tuple[Protocol, tuple[Entry, ...]]:
    """Return the protocol and the entries of a session, also while it is being written.

    Raises
    ------
    UsageError
        If there is no such session, or its participant has withdrawn.
    """
    with open_study(folder, write=False) as study:
        owner = next((person for person in participants(study) if session in person.sessions), None)
        if owner is None:
            raise UsageError("there is no such session here", found=repr(session), do="go back to the study page")
        if owner.withdrawn:
            raise UsageError(
                f"{owner.pseudonym} has withdrawn: nothing is kept of this session", do="go back to the study"
            )
        with open_journal(study, session) as journal:
            return read_protocol(study.protocol_text, where=folder / "protocol.toml"), journal.entries()


def read_later(folder: Path, session: str, after: int) -> tuple[Entry, ...]:
    """Return the entries of a session that were written after the one of that number."""
    with open_study(folder, write=False) as study, open_journal(study, session) as journal:
        return journal.entries(after)


def read_sweep(folder: Path, session: str, entry: int) -> Sweep:
    """Return the sweep of an entry."""
    with open_study(folder, write=False) as study, open_journal(study, session) as journal:
        return journal.sweep(entry)


def read_debrief(folder: Path, session: str) -> Debrief | None:
    """Return the debrief of a rehearsal; None for a session that was none."""
    with open_study(folder, write=False) as study, open_journal(study, session) as journal:
        return debrief_session(journal, read_protocol(study.protocol_text, where=folder / "protocol.toml"))


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepShown:
    """A sweep as it is drawn: the target's samples in µV, the time of the first in ms from the test pulse, and the marks.

    ``window_ms`` is where the response was looked for; the marks are those of the trial table, NaN where there is none.
    """

    samples_uv: Sequence[float]
    start_ms: float
    step_ms: float
    window_ms: tuple[float, float]
    marks: Mapping[str, float]


def read_shown_sweep(folder: Path, session: str, given: Given, protocol: Protocol) -> SweepShown:
    """Return the sweep of an answered stimulus as it is drawn: from before the first pulse to after the last mark."""
    sweep = read_sweep(folder, session, given.entry)
    stimulus, muscle = given.request.stimulus, given.request.muscle
    marks = given.trial.values.get(muscle, {})
    window = _window(sweep, muscle, protocol, nerve=stimulus.stim_type == "nerve")
    first_ms = -stimulus.isi_ms if stimulus.stim_type == "paired" else 0.0
    last_ms = max(window[1] + 10, marks.get("silent_end_ms", 0.0) + 40 if given.request.contraction_pct else 0.0)
    step_ms = 1e3 / sweep.rate_hz
    samples = sweep.samples_uv[sweep.channels.index(muscle)]
    low = max(sweep.onset_sample + round((first_ms - 20) / step_ms), 0)
    high = min(sweep.onset_sample + round(last_ms / step_ms) + 1, len(samples))
    return SweepShown(
        samples_uv=[float(sample) for sample in samples[low:high]],
        start_ms=(low - sweep.onset_sample) * step_ms - sweep.shift_ms,
        step_ms=step_ms,
        window_ms=window,
        marks=dict(marks),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class MeanSweep:
    """The mean of a condition's sweeps so far in µV; times in ms from the test pulse, ``cut_ms`` where the artifact is over."""

    condition: str
    n: int
    samples_uv: Sequence[float]
    start_ms: float
    step_ms: float
    cut_ms: float


def read_mean_sweeps(folder: Path, session: str, given: Sequence[Given], protocol: Protocol) -> tuple[MeanSweep, ...]:
    """Return the mean sweep of each condition, of answered stimuli that were not rejected: from the pulse to the window's end."""
    by_condition: dict[str, list[Given]] = {}
    for one in given:
        if (one.said or one.trial.verdict.kind) != "reject" and one.request.condition != "climb":
            by_condition.setdefault(one.request.condition, []).append(one)
    with open_study(folder, write=False) as study, open_journal(study, session) as journal:
        return tuple(
            _mean(name, [(one, journal.sweep(one.entry)) for one in ones], protocol)
            for name, ones in by_condition.items()
        )


def _mean(condition: str, sweeps: Sequence[tuple[Given, Sweep]], protocol: Protocol) -> MeanSweep:
    muscle = sweeps[0][0].request.muscle
    first = sweeps[0][1]
    window = _window(first, muscle, protocol, nerve=False)
    step_ms = 1e3 / first.rate_hz
    before, after = round(5 / step_ms), round((window[1] + 5) / step_ms)
    cuts = [
        sweep.samples_uv[sweep.channels.index(muscle)][sweep.onset_sample - before : sweep.onset_sample + after]
        for _, sweep in sweeps
    ]
    ends = [one.trial.value(muscle, "artifact_end_ms") for one, _ in sweeps]
    known = [end for end in ends if math.isfinite(end)]
    return MeanSweep(
        condition=condition,
        n=len(cuts),
        samples_uv=np.mean(cuts, axis=0).tolist(),
        start_ms=-before * step_ms,
        step_ms=step_ms,
        cut_ms=max(known, default=0.0),
    )


def _window(sweep: Sweep, muscle: str, protocol: Protocol, *, nerve: bool) -> tuple[float, float]:
    kind, side = muscle_and_side(muscle)
    channel = Channel(name=muscle, kind="emg", rate_hz=sweep.rate_hz, muscle=kind, side=side)
    return window_of(channel, protocol, nerve=nerve) or (0.0, 50.0)
