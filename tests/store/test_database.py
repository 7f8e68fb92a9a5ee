"""Failures of the file are said plainly, and older files become newer ones whole or not at all."""

import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest
from sqlalchemy import create_engine, inspect

from decussa.model.errors import MachineError, RecordingError
from decussa.store import private, schema
from decussa.store.database import create_database, open_database
from decussa.store.journal import open_journal
from decussa.store.study import open_study
from tests.store.invented import a_study, broken, hashes, write_pulse

FIRST = ("CREATE TABLE one (a INTEGER)", "INSERT INTO one VALUES (1)")
SECOND = ("CREATE TABLE two (b INTEGER)", "INSERT INTO two VALUES (2)")


def tables(path: Path) -> set[str]:
    with closing(sqlite3.connect(path)) as connection:
        return {name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}


def test_an_older_file_is_brought_up_to_date_when_opened_for_writing(tmp_path):
    path = tmp_path / "x.db"
    create_database(path, (FIRST,), mode=0o644)

    with pytest.raises(RecordingError, match="earlier version"), open_database(path, (FIRST, SECOND), write=False):
        pass
    with open_database(path, (FIRST, SECOND), write=True) as database:
        assert database.version() == 2
    assert tables(path) == {"one", "two"}


def test_a_migration_that_fails_leaves_the_file_as_it_was(tmp_path):
    path = tmp_path / "x.db"
    create_database(path, (FIRST,), mode=0o644)

    with pytest.raises(RecordingError), open_database(path, (FIRST, (*SECOND, "NONSENSE")), write=True):
        pass
    assert tables(path) == {"one"}
    with open_database(path, (FIRST,), write=False) as database:
        assert database.version() == 1


def test_a_file_of_a_later_version_is_refused(tmp_path):
    create_database(tmp_path / "x.db", (FIRST, SECOND), mode=0o644)

    for write in (True, False):
        with (
            pytest.raises(RecordingError, match="later version"),
            open_database(tmp_path / "x.db", (FIRST,), write=write),
        ):
            pass


@pytest.mark.parametrize(("module", "name"), [(schema, "METADATA"), (private, "_METADATA")])
def test_the_migrations_make_the_tables_the_program_uses(tmp_path, module, name):
    create_database(tmp_path / "x.db", module.MIGRATIONS, mode=0o644)
    engine = create_engine(f"sqlite:///{tmp_path / 'x.db'}")
    found = {
        table: {
            (column["name"], str(column["type"]), column["nullable"]) for column in inspect(engine).get_columns(table)
        }
        for table in inspect(engine).get_table_names()
    }
    used = {
        table.name: {
            (column.name, column.type.compile(engine.dialect), column.nullable or column.primary_key)
            for column in table.columns
        }
        for table in getattr(module, name).tables.values()
    }
    engine.dispose()

    assert found == used


def test_every_connection_waits_for_the_disk_and_overwrites_what_is_deleted(tmp_path):
    folder = a_study(tmp_path / "study", pulses=0)

    with open_study(folder, write=True) as study, study.database.transaction() as connection:
        settings = {
            name: connection.exec_driver_sql(f"PRAGMA {name}").scalar()
            for name in ("journal_mode", "synchronous", "foreign_keys", "secure_delete")
        }

    # 2 is FULL: https://www.sqlite.org/pragma.html#pragma_synchronous
    assert settings == {"journal_mode": "wal", "synchronous": 2, "foreign_keys": 1, "secure_delete": 1}


@pytest.mark.parametrize("content", [b"", b"nonsense" * 1000])
def test_a_file_that_is_no_study_file_is_said(tmp_path, content):
    folder = a_study(tmp_path / "study", pulses=0)
    (folder / "study.db").write_bytes(content)

    with pytest.raises(RecordingError, match=r"study\.db: file is"), open_study(folder, write=False):
        pass


@pytest.mark.parametrize("name", ["study.db", "study.db-wal"])
def test_a_file_that_vanishes_while_open_stops_the_session(tmp_path, name):
    folder = a_study(tmp_path / "study", pulses=1)
    with open_study(folder, write=True) as study, open_journal(study, "P07-1") as journal:
        write_pulse(journal, 1)
        (folder / name).rename(folder / "taken-away")

        with pytest.raises(MachineError, match="moved, deleted or replaced"):
            write_pulse(journal, 2)
        (folder / "taken-away").rename(folder / name)

    assert len(hashes(folder)) == 6
    assert broken(folder) == []


AS_NOBODY = """
import os, sys
from pathlib import Path
from decussa.model.errors import MachineError
from decussa.store.check import check_study
from decussa.store.study import open_study
folder = Path(sys.argv[1])
check_study(folder)
if os.geteuid() == 0:
    os.setgid(65534)
    os.setuid(65534)
print([finding.sentence() for finding in check_study(folder) if finding.broken])
try:
    with open_study(folder, write=True):
        print("opened")
except MachineError as error:
    print(error)
"""


def test_a_study_on_a_read_only_disk_can_be_checked_but_not_written(tmp_path_factory):
    base = tmp_path_factory.getbasetemp()
    base = base.parent if base.name.startswith("popen-") else base  # each process of the tests has a folder of its own
    folder = a_study(tmp_path_factory.mktemp("frozen") / "study", pulses=1)
    opened = [parent for parent in folder.parents if parent.is_relative_to(base.parent)]
    modes = {path: path.stat().st_mode for path in opened}
    for path in opened:
        path.chmod(0o755)
    (folder / "study.db").chmod(0o444)
    folder.chmod(0o555)
    try:
        run = subprocess.run(
            [sys.executable, "-c", AS_NOBODY, str(folder)], capture_output=True, text=True, check=False
        )
    finally:
        folder.chmod(0o755)
        for path, mode in modes.items():
            path.chmod(mode)

    said = run.stdout.splitlines()
    assert run.stderr == ""
    assert said[0] == "[]"
    assert "study.db: file may not be written" in said[1]
