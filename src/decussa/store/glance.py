"""A session at a glance: how many stimuli were given and how they were judged, without reading every value and sweep."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field

from sqlalchemy import case, func, select

from decussa.store.chain import Entry
from decussa.store.journal import entry_of_row
from decussa.store.kinds import Kind
from decussa.store.schema import ENTRY, JOURNAL
from decussa.store.study import Study


@dataclass(frozen=True, slots=True, kw_only=True)
class Glance:
    """What was counted: ``stimuli`` given, the first one's time (UTC, empty: none), sweeps, and trials by verdict."""

    stimuli: int = 0
    first_at: str = ""
    sweeps: int = 0
    verdicts: Mapping[str, int] = field(default_factory=dict)


def glance_at(study: Study, session: str) -> Glance:
    """Count a session's stimuli in the file itself; a stimulus that was not given, as the operator said, does not count."""
    type_of = func.json_extract(ENTRY.c.body, '$.is."@"')
    verdict = func.json_extract(ENTRY.c.body, "$.is.verdict.kind")
    given = func.json_extract(ENTRY.c.body, "$.is.given")
    chosen = (
        select(
            type_of.label("type"),
            verdict.label("verdict"),
            given.label("given"),
            func.count().label("trials"),
            func.min(ENTRY.c.at).label("first"),
            func.sum(case((ENTRY.c.sweep_sha256 != "", 1), else_=0)).label("sweeps"),
        )
        .join(JOURNAL, JOURNAL.c.id == ENTRY.c.journal)
        .where(JOURNAL.c.name == session, ENTRY.c.kind.in_(("answered", "lost")), type_of.in_(("Trial", "Lost")))
        .group_by("type", "verdict", "given")
    )
    with study.database.transaction() as connection:
        rows = [row for row in connection.execute(chosen) if row.given != "not given"]
    return Glance(
        stimuli=sum(row.trials for row in rows),
        first_at=min((row.first for row in rows), default=""),
        sweeps=sum(row.sweeps for row in rows),
        verdicts={row.verdict: row.trials for row in rows if row.verdict},
    )


def entries_of_kinds(study: Study, session: str, kinds: Collection[Kind]) -> tuple[Entry, ...]:
    """Return the entries of these kinds, in order, and read no others."""
    chosen = (
        select(ENTRY)
        .join(JOURNAL, JOURNAL.c.id == ENTRY.c.journal)
        .where(JOURNAL.c.name == session, ENTRY.c.kind.in_(tuple(kinds)))
        .order_by(ENTRY.c.number)
    )
    with study.database.transaction() as connection:
        return tuple(entry_of_row(row, f"{session}, entry {row.number}") for row in connection.execute(chosen))
