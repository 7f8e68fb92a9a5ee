"""The tables of the study file, and how older files become newer ones.

``MIGRATIONS`` is history: a released one is never edited, a change is a new one at the end. The triggers make the rule
that nothing is updated or deleted a rule of the file itself, for every program that opens it; the one exception is
what a withdrawal wipes.
"""

from __future__ import annotations

from sqlalchemy import Column, ForeignKey, Integer, LargeBinary, MetaData, Table, Text, UniqueConstraint

METADATA = MetaData()

PARTICIPANT = Table(
    "participant",
    METADATA,
    Column("id", Integer, primary_key=True),
    Column("pseudonym", Text, nullable=False, unique=True),
)
#: Who withdrew. A row here opens the one door in the triggers.
WITHDRAWAL = Table(
    "withdrawal",
    METADATA,
    Column("participant", Integer, ForeignKey("participant.id"), primary_key=True),
)
#: One journal per session, and one named ``study``. Its head (number and hash of the last entry) shows a lost end.
JOURNAL = Table(
    "journal",
    METADATA,
    Column("id", Integer, primary_key=True),
    Column("name", Text, nullable=False, unique=True),
    Column("participant", Integer, ForeignKey("participant.id")),
    Column("head_number", Integer, nullable=False),
    Column("head_hash", Text, nullable=False),
)
#: ``salt``, ``body`` and ``measured`` are what a withdrawal wipes; the hashes of them stay.
ENTRY = Table(
    "entry",
    METADATA,
    Column("id", Integer, primary_key=True),
    Column("journal", Integer, ForeignKey("journal.id"), nullable=False),
    Column("number", Integer, nullable=False),
    Column("at", Text, nullable=False),
    Column("kind", Text, nullable=False),
    Column("salt", LargeBinary),
    Column("body", Text),
    Column("measured", Text),
    Column("body_sha256", Text, nullable=False),
    Column("measured_sha256", Text, nullable=False),
    Column("sweep_sha256", Text, nullable=False),
    Column("hash", Text, nullable=False),
    UniqueConstraint("journal", "number"),
)
SWEEP = Table(
    "sweep",
    METADATA,
    Column("entry", Integer, ForeignKey("entry.id"), primary_key=True),
    Column("samples", LargeBinary, nullable=False),
)

_TABLES = (
    "CREATE TABLE participant (id INTEGER PRIMARY KEY, pseudonym TEXT NOT NULL UNIQUE)",
    "CREATE TABLE withdrawal (participant INTEGER PRIMARY KEY REFERENCES participant (id))",
    """CREATE TABLE journal (
        id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE, participant INTEGER REFERENCES participant (id),
        head_number INTEGER NOT NULL, head_hash TEXT NOT NULL)""",
    """CREATE TABLE entry (
        id INTEGER PRIMARY KEY, journal INTEGER NOT NULL REFERENCES journal (id), number INTEGER NOT NULL,
        at TEXT NOT NULL, kind TEXT NOT NULL, salt BLOB, body TEXT, measured TEXT, body_sha256 TEXT NOT NULL,
        measured_sha256 TEXT NOT NULL, sweep_sha256 TEXT NOT NULL, hash TEXT NOT NULL, UNIQUE (journal, number))""",
    "CREATE TABLE sweep (entry INTEGER PRIMARY KEY REFERENCES entry (id), samples BLOB NOT NULL)",
)
_OF_A_WITHDRAWN = "EXISTS (SELECT 1 FROM journal JOIN withdrawal USING (participant) WHERE journal.id = {journal})"
_GROWS_BY_ONE = (
    """CREATE TRIGGER entry_follows BEFORE INSERT ON entry
        WHEN NOT EXISTS (SELECT 1 FROM journal WHERE id = NEW.journal AND head_number = NEW.number - 1)
        BEGIN SELECT RAISE(ABORT, 'an entry follows the one before'); END""",
    f"""CREATE TRIGGER entry_of_nobody_withdrawn BEFORE INSERT ON entry WHEN {_OF_A_WITHDRAWN.format(journal="NEW.journal")}
        BEGIN SELECT RAISE(ABORT, 'the participant has withdrawn'); END""",
    """CREATE TRIGGER entry_moves_head AFTER INSERT ON entry
        BEGIN UPDATE journal SET head_number = NEW.number, head_hash = NEW.hash WHERE id = NEW.journal; END""",
    """CREATE TRIGGER journal_only_grows BEFORE UPDATE ON journal
        WHEN NEW.id <> OLD.id OR NEW.name <> OLD.name OR NEW.participant IS NOT OLD.participant
            OR NEW.head_number <> OLD.head_number + 1 OR NOT EXISTS (SELECT 1 FROM entry
                WHERE journal = OLD.id AND number = NEW.head_number AND hash = NEW.head_hash)
        BEGIN SELECT RAISE(ABORT, 'a journal only grows'); END""",
    """CREATE TRIGGER sweep_once BEFORE INSERT ON sweep WHEN EXISTS (SELECT 1 FROM sweep WHERE entry = NEW.entry)
        BEGIN SELECT RAISE(ABORT, 'an entry has one sweep'); END""",
)
_KEPT = ("id", "journal", "number", "at", "kind", "body_sha256", "measured_sha256", "sweep_sha256", "hash")
_NOTHING_CHANGES = (
    f"""CREATE TRIGGER entry_is_kept BEFORE UPDATE ON entry
        WHEN NEW.salt IS NOT NULL OR NEW.body IS NOT NULL OR NEW.measured IS NOT NULL
            OR {" OR ".join(f"NEW.{name} IS NOT OLD.{name}" for name in _KEPT)}
            OR NOT {_OF_A_WITHDRAWN.format(journal="OLD.journal")}
        BEGIN SELECT RAISE(ABORT, 'an entry is never changed'); END""",
    f"""CREATE TRIGGER sweep_is_kept BEFORE DELETE ON sweep
        WHEN NOT {_OF_A_WITHDRAWN.format(journal="(SELECT journal FROM entry WHERE id = OLD.entry)")}
        BEGIN SELECT RAISE(ABORT, 'a sweep is never deleted'); END""",
    *(
        f"CREATE TRIGGER {table}_not_{act.lower()}d BEFORE {act} ON {table} "
        f"BEGIN SELECT RAISE(ABORT, '{table}: nothing is {act.lower()}d'); END"
        for table, act in (
            ("sweep", "UPDATE"),
            ("entry", "DELETE"),
            ("journal", "DELETE"),
            ("participant", "UPDATE"),
            ("participant", "DELETE"),
            ("withdrawal", "UPDATE"),
            ("withdrawal", "DELETE"),
        )
    ),
)

#: Statements by version of the file; each version is one transaction.
MIGRATIONS: tuple[tuple[str, ...], ...] = ((*_TABLES, *_GROWS_BY_ONE, *_NOTHING_CHANGES),)
