"""Makes studies and runs sessions: joins protocol, plan, engine, source, journal and clock."""

from __future__ import annotations

import zlib
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from decussa.compose.earlier import first_session, found_in
from decussa.compose.preparing import refuse_if_screened_out
from decussa.compose.virtual_people import PERSON, kind_of, settings_of, virtual_person
from decussa.model.dialogue import Found, Request
from decussa.model.errors import UsageError
from decussa.model.version import VERSION
from decussa.plan.session import session_plan
from decussa.protocol.schema import SHIPPED, Protocol, load_protocol, protocol_hash, read_protocol
from decussa.recording.read import read
from decussa.session.clock import Clock, RealClock, VirtualClock, from_text, to_text
from decussa.session.engine import Engine, Stopped
from decussa.session.operator import Operator, Unattended
from decussa.session.recovery import (
    PlanChangedError,
    finished_steps,
    last_start,
    split_at_start,
    stand_at,
    stored_findings,
)
from decussa.session.scribe import Listener
from decussa.session.warming import warm_up_aside
from decussa.source.contract import Source
from decussa.source.hand import HandSource, ReadSize
from decussa.source.replay import replay_recording
from decussa.source.virtual.source import VirtualSource
from decussa.store.chain import Entry
from decussa.store.journal import Journal, open_journal
from decussa.store.people import participants
from decussa.store.records import PlanChanged, Remark, Started
from decussa.store.study import Study, create_study, open_study

#: Sources a session can be run with; the last are made by modules of their own.
SOURCES = ("virtual", "replay", "hand", "folder", "stream")
#: Makes a source for a study's protocol.
MakeSource = Callable[[Protocol], Source]


@dataclass(frozen=True, slots=True)
class Outcome:
    """How a session ended: what was found, or why it stopped."""

    session: str
    found: Found
    stopped: str
    entries: tuple[Entry, ...]


def new_study(folder: Path, protocol_name: str, *, at: str = "") -> Path:
    """Make a study folder from a shipped protocol or a protocol file; return the folder. ``at``: when; now where omitted."""
    _, text = load_protocol(protocol_name)
    label = protocol_name if protocol_name in SHIPPED else Path(protocol_name).stem
    create_study(folder, label, text, at=at or to_text(datetime.now(UTC)))
    return folder


def go_on_by_hand(
    folder: Path,
    session: str,
    operator: Operator,
    read_size: ReadSize,
    *,
    fresh: bool,
    listeners: Sequence[Listener] = (),
) -> Outcome:
    """Begin a session whose sizes are typed, or go on with it; the order of a new one follows from its name."""
    with open_study(folder, write=True) as study:
        protocol = read_protocol(study.protocol_text, where=folder / "protocol.toml")
        seed = seed_with_a_person(study, session)
        source = _source("hand", protocol, seed=seed, recording=None, read_size=read_size)
        return run_in(study, session, source, operator, clock=RealClock(), seed=seed, fresh=fresh, listeners=listeners)


def seed_with_a_person(study: Study, session: str) -> int:
    """Return the seed that a session was started with; the order of one that was not yet follows from its name."""
    with open_journal(study, session) as journal:
        started = last_start(journal.entries())
    return started.seed if started else zlib.crc32(session.encode()) % 10_000


def run_session(
    folder: Path,
    session: str,
    source_name: str,
    *,
    operator: Operator,
    clock: Clock | None = None,
    seed: int | None = None,
    recording: Path | None = None,
    read_size: ReadSize | None = None,
    make: MakeSource | None = None,
    fresh: bool = False,
    listeners: Sequence[Listener] = (),
) -> Outcome:
    """Run or resume a session of a study with one of the sources: that of the name, or the one that ``make`` makes.

    ``seed`` is that of the plan's order, and of a virtual participant; None: the session's own, 1 for a new one. Without a
    ``clock`` intervals are waited for.

    Raises
    ------
    UsageError
        If there is no such session, or the source is not known or lacks what it needs.
    """
    with open_study(folder, write=True) as study:
        names = [name for person in participants(study) for name in person.sessions]
        if session not in names:
            raise UsageError(
                "study has no such session",
                where="--session",
                expected=", ".join(names) or "none is there yet",
                found=repr(session),
                do="name one, or say who it is with --participant",
            )
        protocol = read_protocol(study.protocol_text, where=folder / "protocol.toml")
        if seed is None:
            with open_journal(study, session) as journal:
                started = last_start(journal.entries())
            seed = started.seed if started else 1
        if make is not None:
            source = make(protocol)
        else:
            source = _source(source_name, protocol, seed=seed, recording=recording, read_size=read_size)
        return run_in(
            study, session, source, operator, clock=clock or RealClock(), seed=seed, fresh=fresh, listeners=listeners
        )


def _source(name: str, protocol: Protocol, *, seed: int, recording: Path | None, read_size: ReadSize | None) -> Source:
    if name == "virtual":
        return VirtualSource(virtual_person(protocol, seed, hard="drawn"))
    if name == "replay":
        if recording is None:
            raise UsageError("replay needs a recording", where="--recording", expected="a file", found="nothing")
        return replay_recording(read(recording))
    if name == "hand" and read_size is not None:
        return HandSource([muscle.label for muscle in protocol.muscles if muscle.target], read_size)
    raise UsageError("source is not known", where="--source", expected=", ".join(SOURCES), found=repr(name))


def run_in(
    study: Study,
    session: str,
    source: Source,
    operator: Operator,
    *,
    clock: Clock,
    seed: int,
    fresh: bool,
    listeners: Sequence[Listener] = (),
) -> Outcome:
    """Run or resume ``session`` of an open study with any source, operator and clock.

    Raises
    ------
    PlanChangedError
        If the plan asks something else than the journal holds, and ``fresh`` was not asked for.
    UsageError
        If the session was started with another seed, or the source can reach a person and nobody is there, or the screening
        of today excludes or waits for a signature.
    """
    if source.can_reach_a_person and isinstance(operator, Unattended):
        raise UsageError(
            "a source that can reach a person is never run by itself",
            expected="an operator, or a virtual participant or a recording",
            found=f"source {source.name} and nobody",
        )
    protocol = read_protocol(study.protocol_text, where=study.folder / "protocol.toml")
    with ExitStack() as stack:
        journal = stack.enter_context(open_journal(study, session))
        entries = journal.entries()
        if isinstance(clock, VirtualClock) and entries:
            clock.wait((from_text(entries[-1].at) - clock.now()).total_seconds())
        if any(entry.kind == "finished" for entry in entries):
            return Outcome(session, stored_findings(entries), "the session is finished", entries)
        if source.can_reach_a_person:
            refuse_if_screened_out(entries, protocol, clock.now())
        at = to_text(clock.now())
        started = _start(journal, entries, source, seed=seed, at=at, text=study.protocol_text, fresh=fresh)
        entries = journal.entries()
        done, _ = split_at_start(entries)
        plan = session_plan(
            protocol,
            seed=started.seed,
            earlier=stored_findings(done),
            leave_out=finished_steps(done),
            before=found_in(study, str(started.settings.get("earlier session", ""))),
        )
        try:
            position = stand_at(plan, entries, discomfort_stop=protocol.limits.discomfort_stop)
        except PlanChangedError as changed:
            now = changed.now if isinstance(changed.now, Request) else None
            journal.append("plan changed", PlanChanged(entry=changed.entry.number, now=now), at=at)
            raise
        stack.enter_context(source)
        if source.can_reach_a_person:
            warm_up_aside(source.channels, protocol)
        engine = Engine(
            plan,
            position,
            protocol=protocol,
            source=source,
            journal=journal,
            operator=operator,
            clock=clock,
            listeners=listeners,
        )
        engine.scribe.catch_up(journal.entries())
        ended = engine.run()
        stopped = ended.reason if isinstance(ended, Stopped) else ""
        found = stored_findings(journal.entries()) if isinstance(ended, Stopped) else ended
        return Outcome(session, found, stopped, journal.entries())


def _start(
    journal: Journal, entries: Sequence[Entry], source: Source, *, seed: int, at: str, text: str, fresh: bool
) -> Started:
    """Write that the session starts, or that it goes on; return what it started from."""
    earlier = last_start(entries)
    if earlier and earlier.seed != seed:
        raise UsageError("session was started with another seed", expected=f"--seed {earlier.seed}", found=str(seed))
    if earlier and earlier.settings.get(PERSON, "") != kind_of(source):
        raise UsageError(
            "session was started with another kind of person",
            expected=str(earlier.settings.get(PERSON, "an easy one")),
            found=kind_of(source) or "an easy one",
        )
    if earlier and not fresh:
        journal.append("resumed", Remark(text="reopened"), at=at)
        return earlier
    settings: dict[str, str | float] = {
        PERSON: kind_of(source),
        "earlier session": first_session(journal.study, journal.session),
        **settings_of(source),
    }
    started = Started(
        protocol_sha256=protocol_hash(text),
        source=source.name,
        version=VERSION,
        seed=seed,
        settings={name: value for name, value in settings.items() if value},
    )
    journal.append("started", started, at=at)
    return started
