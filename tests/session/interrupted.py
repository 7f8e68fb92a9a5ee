"""Whole rehearsals that are killed, stopped between writes, or run on a disk that refuses; and what must be true afterwards."""

from __future__ import annotations

import multiprocessing
import random
import shutil
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from decussa.compose import rehearsals, sessions
from decussa.compose.virtual_people import virtual_person
from decussa.model.dialogue import Deliver, Lost, Trial
from decussa.plan.session import session_plan
from decussa.plan.step import Ended
from decussa.protocol.schema import read_protocol
from decussa.session.operator import Unattended
from decussa.session.recovery import stand_at
from decussa.source.virtual.source import VirtualSource
from decussa.store.chain import Entry
from decussa.store.check import check_study
from decussa.store.codec import encode
from decussa.store.journal import Journal, open_journal
from decussa.store.study import open_study

# A server that has everything imported forks each session, so that a kill costs no start-up.
_PROCESSES = multiprocessing.get_context("forkserver")
_PROCESSES.set_forkserver_preload(["tests.session.interrupted"])

#: What a session says and hears, besides times and what only reopening writes.
TOLD = {"asked", "answered", "refused", "lost", "step found", "follow-up due", "finished"}


class Crash(BaseException):
    """Stands for the end of the process; nothing catches it."""


@dataclass(frozen=True)
class Rehearsal:
    """Which session is run: a protocol by name or path, a virtual participant, and where."""

    protocol: str
    seed: int
    kind: str
    folder: Path

    @property
    def session(self) -> str:
        return f"V-{self.seed:04d}-1"

    @property
    def heard(self) -> Path:
        return self.folder.with_name(f"{self.folder.name}.heard")

    @property
    def reported(self) -> Path:
        return self.folder.with_name(f"{self.folder.name}.reported")


class Listening(VirtualSource):
    """Notes on disk what it is told to give before it gives it; loses the stimuli that are named."""

    def __init__(self, person: Any, log: Path, lost: Sequence[int] = ()) -> None:
        super().__init__(person)
        self.log, self.lost = log, frozenset(lost)

    def deliver(self, request: Deliver, number: int) -> Any:
        _note(self.log, str(number))
        came = super().deliver(request, number)
        return None if number in self.lost else came


def _note(log: Path, line: str) -> None:
    with log.open("a", encoding="ascii") as file:
        file.write(f"{line}\n")


def begin(rehearsal: Rehearsal) -> None:
    """Make the study."""
    rehearsals.new_rehearsal(rehearsal.protocol, rehearsal.folder, seed=rehearsal.seed, at="2026-01-05T09:00:00.000Z")


def go(
    rehearsal: Rehearsal, lost: Sequence[int] = (), listener: Callable[[Entry], None] | None = None
) -> tuple[Entry, ...]:
    """Run or resume the session to its end; every entry that is reported as written is noted with its hash."""
    note = listener or (lambda entry: _note(rehearsal.reported, f"{entry.number} {entry.hash}"))
    with open_study(rehearsal.folder, write=True) as study:
        protocol = read_protocol(study.protocol_text)
        person = virtual_person(protocol, rehearsal.seed, hard=rehearsal.kind)
        outcome = sessions.run_in(
            study,
            rehearsal.session,
            Listening(person, rehearsal.heard, lost),
            Unattended(),
            clock=sessions.VirtualClock(rehearsals.VIRTUAL_MORNING),
            seed=rehearsal.seed,
            fresh=False,
            listeners=(note,),
        )
    return outcome.entries


def kill_at_random(rehearsal: Rehearsal, chance: random.Random, longest_s: float) -> bool:
    """Run in a process of its own and kill it (SIGKILL) at a random moment; return whether it was killed before its end."""
    process = _PROCESSES.Process(target=go, args=(rehearsal,))
    process.start()
    # The first entry of this run marks that it has begun; the moment is drawn from there, so that no kill meets the imports.
    size = rehearsal.reported.stat().st_size if rehearsal.reported.exists() else 0
    while process.is_alive() and (not rehearsal.reported.exists() or rehearsal.reported.stat().st_size == size):
        time.sleep(0.002)
    process.join(chance.uniform(0, longest_s))
    killed = process.is_alive()
    process.kill()
    process.join()
    return killed


@contextmanager
def stopping(number: int, *, before: bool) -> Iterator[None]:
    """Fall over just before, or just after, the ``number``-th write in the block."""
    append, written = Journal.append, 0

    def deadly(self: Journal, kind: Any, body: Any, **rest: Any) -> Entry:
        nonlocal written
        written += 1
        if written == number and before:
            raise Crash
        entry = append(self, kind, body, **rest)
        if written == number:
            raise Crash
        return entry

    Journal.append = deadly  # type: ignore[method-assign]
    try:
        yield
    finally:
        Journal.append = append  # type: ignore[method-assign]


def entries_of(rehearsal: Rehearsal) -> tuple[Entry, ...]:
    with open_study(rehearsal.folder, write=False) as study, open_journal(study, rehearsal.session) as journal:
        return journal.entries()


def faults_after_a_stop(rehearsal: Rehearsal) -> list[str]:
    """Say what is wrong with a study as it was left: entries or sweeps that are missing, pulses given twice, broken chains."""
    faults = [finding.sentence() for finding in check_study(rehearsal.folder) if finding.broken]
    with open_study(rehearsal.folder, write=False) as study, open_journal(study, rehearsal.session) as journal:
        entries = journal.entries()
        there = {entry.number: entry.hash for entry in entries}
        answered = [entry.number for entry in entries if isinstance(entry.body, Trial)]
        faults += [f"entry {number} has no sweep" for number in answered if not journal.sweep(number).samples_uv.size]
    for number, own in _lines(rehearsal.reported):
        if there.get(int(number)) != own:
            faults.append(f"entry {number} was reported as written and is not there")
    heard = [line[0] for line in _lines(rehearsal.heard)]
    faults += [
        f"stimulus {number} was given {heard.count(number)} times" for number in set(heard) if heard.count(number) > 1
    ]
    return faults


def _lines(log: Path) -> list[list[str]]:
    return [line.split() for line in log.read_text(encoding="ascii").splitlines()] if log.exists() else []


def told(entries: Sequence[Entry]) -> list[tuple[str, str]]:
    """What was asked, answered and found; of what becomes due only that it does, because a stopped session ends later."""
    said = [entry for entry in entries if entry.kind in TOLD]
    return [(entry.kind, "" if entry.kind == "follow-up due" else encode(entry.body)) for entry in said]


def lost_numbers(entries: Sequence[Entry]) -> list[int]:
    """Numbers of the stimuli that were declared lost."""
    replies = [entry.body for entry in entries if isinstance(entry.body, Trial | Lost)]
    return [number for number, reply in enumerate(replies, start=1) if isinstance(reply, Lost)]


def differs_from_undisturbed(rehearsal: Rehearsal) -> list[str]:
    """Run the same session undisturbed, with the same stimuli lost, and say where the two differ."""
    entries = entries_of(rehearsal)
    place = rehearsal.folder.with_name(f"{rehearsal.folder.name}.plain")
    plain = Rehearsal(rehearsal.protocol, rehearsal.seed, rehearsal.kind, place)
    begin(plain)
    same = told(go(plain, lost_numbers(entries)))
    shutil.rmtree(plain.folder)
    ours = told(entries)
    if ours == same:
        return []
    at = next((index for index, (one, other) in enumerate(zip(ours, same, strict=False)) if one != other), -1)
    return [f"{len(ours)} things were said, undisturbed {len(same)}; they differ at {at}: {ours[at][0]}, {same[at][0]}"]


def faults_of_beginnings(entries: Sequence[Entry], text: str, seed: int, ends: Sequence[int]) -> list[str]:
    """Rebuild the plan from beginnings of a journal; say where it does not ask what was asked next."""
    protocol = read_protocol(text)
    faults = []
    for end in ends:
        plan = session_plan(protocol, seed=seed)
        position = stand_at(plan, entries[:end], discomfort_stop=protocol.limits.discomfort_stop)
        # What was asked last and not answered yet, else what was asked next.
        known = reversed(entries[:end]) if position.is_asked else iter(entries[end:])
        expected = next((entry for entry in known if entry.kind == "asked"), None)
        if expected is None:
            if not isinstance(position.pending, Ended):
                faults.append(f"after entry {end} the plan asks on although the session was at its end")
        elif isinstance(position.pending, Ended) or encode(expected.body) != encode(position.pending):
            faults.append(f"after entry {end} the plan asks something else than entry {expected.number} holds")
    return faults


def forget(rehearsal: Rehearsal) -> None:
    """Take a session's files away."""
    shutil.rmtree(rehearsal.folder, ignore_errors=True)
    for log in (rehearsal.heard, rehearsal.reported):
        log.unlink(missing_ok=True)
