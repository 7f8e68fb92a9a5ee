"""Screening answers and the reasons of decisions stay in a file of their own."""

import sqlite3
import stat
from contextlib import closing

import pytest

from decussa.store.check import check_study
from decussa.store.database import create_database
from decussa.store.operators import operators
from decussa.store.private import (
    MIGRATIONS,
    PRIVATE_FILE,
    create_missing,
    forget_screenings,
    keep_reason,
    keep_screening,
    open_private,
    reasons,
    screenings,
)
from tests.store.invented import AT, a_study, broken


@pytest.fixture
def folder(tmp_path):
    return a_study(tmp_path / "study", pulses=1)


def test_screening_answers_are_kept_by_time_and_can_be_forgotten(folder):
    with open_private(folder, write=True) as database:
        keep_screening(database, "P07", {"metal": "no"}, at="2026-03-02T09:00:00Z", version="1")
        keep_screening(database, "P07", {"metal": "yes"}, words={"metal": "a clip"}, at="2026-03-01T09:00:00Z")
        keep_screening(database, "P08", {"metal": "no"}, at=AT)
        kept = screenings(database, "P07")
        assert [(one.at, one.answers, one.words, one.version) for one in kept] == [
            ("2026-03-01T09:00:00Z", {"metal": "yes"}, {"metal": "a clip"}, ""),
            ("2026-03-02T09:00:00Z", {"metal": "no"}, {}, "1"),
        ]

        keep_reason(database, "P07", "DR1", "a clip of titanium", at=AT)
        assert reasons(database, "P07") == ((AT, "DR1", "a clip of titanium"),)
        forget_screenings(database, "P07")

        assert screenings(database, "P07") == ()
        assert reasons(database, "P07") == ()
        assert len(screenings(database, "P08")) == 1


def test_a_file_of_the_first_version_is_brought_up_to_date_with_what_it_holds(folder):
    (folder / PRIVATE_FILE).unlink()
    create_database(folder / PRIVATE_FILE, MIGRATIONS[:1], mode=0o600)
    with closing(sqlite3.connect(folder / PRIVATE_FILE)) as old, old:
        old.execute("INSERT INTO operator VALUES ('OP1', 'Invented Person', x'00', x'00')")
        old.execute("INSERT INTO screening VALUES ('P07', '2026-03-01T09:00:00Z', '{\"metal\": \"no\"}')")

    with open_private(folder, write=True) as database:
        assert [(one.code, one.role, one.has_pin) for one in operators(database)] == [("OP1", "operator", True)]
        assert [(one.answers, one.words) for one in screenings(database, "P07")] == [({"metal": "no"}, {})]


def test_a_missing_private_file_is_made_and_one_that_is_there_is_left(folder):
    (folder / PRIVATE_FILE).unlink()
    create_missing(folder)
    with open_private(folder, write=True) as database:
        keep_screening(database, "P07", {"metal": "no"}, at=AT)
    create_missing(folder)

    with open_private(folder, write=False) as database:
        assert len(screenings(database, "P07")) == 1
    assert stat.S_IMODE((folder / PRIVATE_FILE).stat().st_mode) == 0o600


def test_the_helper_files_are_private_too(folder):
    with open_private(folder, write=True) as database:
        keep_screening(database, "P07", {"metal": "no"}, at=AT)
        modes = {path.name: stat.S_IMODE(path.stat().st_mode) for path in folder.glob("private.db*")}

    assert modes == {"private.db": 0o600, "private.db-wal": 0o600, "private.db-shm": 0o600}


def test_a_private_file_others_can_read_is_found(folder):
    (folder / "private.db").chmod(0o640)

    assert broken(folder) == ["private.db can be read by others: allow it to its owner only (mode 0600)."]


def test_a_missing_private_file_is_said_but_is_in_order(folder):
    (folder / "private.db").unlink()

    assert [(finding.broken, finding.what) for finding in check_study(folder)] == [
        (False, "private.db is not here, as in a back-up")
    ]
