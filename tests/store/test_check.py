"""Any change to what was stored is found, and the entry is named."""

import random
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from decussa.model.errors import DecussaError
from decussa.store.check import check_study, seals
from decussa.store.journal import open_journal
from decussa.store.study import open_study
from tests.store.invented import a_copy, a_study, broken, change, hashes, write_pulse


@pytest.fixture(scope="module")
def whole(tmp_path_factory) -> Path:
    return a_study(tmp_path_factory.mktemp("check") / "study", people=("P07", "P08"), pulses=4)


def test_a_whole_study_has_no_findings(whole):
    assert check_study(whole) == []


def flipped(folder: Path, column: str, table: str, where: str, position: int) -> None:
    """Change one byte of one stored value."""
    with closing(sqlite3.connect(folder / "study.db")) as connection:
        (value,) = connection.execute(f"SELECT {column} FROM {table} WHERE {where}").fetchone()
    raw = bytearray(value if isinstance(value, bytes) else value.encode())
    raw[position % len(raw)] ^= 1
    as_text = f"CAST(x'{raw.hex()}' AS TEXT)" if isinstance(value, str) else f"x'{raw.hex()}'"
    change(folder, f"UPDATE {table} SET {column} = {as_text} WHERE {where}")


@pytest.mark.parametrize("position", [0, 7, -1])
@pytest.mark.parametrize(
    "column", ["at", "kind", "salt", "body", "measured", "body_sha256", "measured_sha256", "sweep_sha256", "hash"]
)
def test_a_flipped_bit_in_any_column_names_the_entry(whole, tmp_path, column, position):
    folder = a_copy(whole, tmp_path / "study")
    flipped(folder, column, "entry", "journal = 2 AND number = 5", position)

    assert any(line.startswith("P07-1, entry 5: ") for line in broken(folder))
    assert not any("P08" in line for line in broken(folder))


@pytest.mark.parametrize("position", [0, 5, 50, 200, 700, -1])
def test_a_flipped_bit_in_a_sweep_names_the_entry(whole, tmp_path, position):
    folder = a_copy(whole, tmp_path / "study")
    flipped(folder, "samples", "sweep", "entry = (SELECT id FROM entry WHERE journal = 2 AND number = 5)", position)

    assert broken(folder) == ["P07-1, entry 5: its sweep was changed."]


SWAP = "UPDATE entry SET number = CASE number WHEN -4 THEN 5 ELSE 4 END WHERE journal = 2 AND number < 0"


@pytest.mark.parametrize(
    ("statements", "said"),
    [
        (["DELETE FROM entry WHERE journal = 2 AND number = 4"], "P07-1, entry 4: this entry is missing."),
        (["DELETE FROM entry WHERE journal = 2 AND number IN (4, 5)"], "P07-1, entry 4: entries 4 to 5 are missing."),
        (
            ["DELETE FROM entry WHERE journal = 2 AND number = 10"],
            "P07-1, entry 10: the journal ends at entry 9, but entry 10 was the last to be written.",
        ),
        (["DELETE FROM sweep WHERE entry = 6"], "P07-1, entry 3: its sweep is missing."),
        (
            ["UPDATE entry SET number = -number WHERE journal = 2 AND number IN (4, 5)", SWAP],
            "P07-1, entry 4: its hash does not fit: it, its place, or the entry before was changed.",
        ),
        (["UPDATE sweep SET entry = 999 WHERE entry = 6"], "a sweep belongs to no entry (row 999)."),
        (["UPDATE entry SET journal = 99 WHERE id = 6"], "entry 3 (row 6) belongs to no journal."),
        (["UPDATE entry SET body = NULL WHERE id = 6"], "P07-1, entry 3: its body is missing."),
        (["UPDATE entry SET body = x'00' WHERE id = 6"], "P07-1, entry 3: its body cannot be read."),
        (["UPDATE entry SET measured = NULL WHERE id = 6"], "P07-1, entry 3: its measured is missing."),
        (
            ["INSERT INTO entry SELECT 999, journal, 11, at, kind, salt, body, measured, body_sha256, "
             "measured_sha256, '', hash FROM entry WHERE id = 6"],
            "P07-1, entry 11: its hash does not fit: it, its place, or the entry before was changed.",
        ),
        (["UPDATE journal SET name = 'P09-1' WHERE id = 2"], "P09-1: session P09-1 of P07 is there, but was never opened."),
        (["UPDATE journal SET head_number = 9 WHERE id = 2"],
         "P07-1, entry 11: the journal ends at entry 10, but entry 9 was the last to be written."),
        (["UPDATE participant SET pseudonym = 'P09' WHERE id = 1"], "participant P07 is missing."),
        (["INSERT INTO participant VALUES (9, 'P09')"], "participant P09 is there, but was never added."),
        (
            ["DELETE FROM sweep WHERE entry IN (SELECT id FROM entry WHERE journal = 2)",
             "DELETE FROM entry WHERE journal = 2", "DELETE FROM journal WHERE id = 2"],
            "P07-1: session P07-1 of P07 is missing.",
        ),
    ],
)  # fmt: skip
def test_what_is_done_behind_the_programs_back_is_found_and_named(whole, tmp_path, statements, said):
    folder = a_copy(whole, tmp_path / "study")
    change(folder, *statements)

    assert said in broken(folder)


def contents(path: Path) -> object:
    """Everything the study file holds, as SQLite reads it without any of the program; None if it can't."""
    try:
        with closing(sqlite3.connect(f"file:{path}?mode=ro&immutable=1", uri=True)) as connection:
            connection.text_factory = bytes
            return [
                connection.execute(f"SELECT * FROM {table} ORDER BY 1").fetchall()
                for table in ("participant", "withdrawal", "journal", "entry", "sweep")
            ]
    except (sqlite3.DatabaseError, UnicodeDecodeError):
        return None


def test_a_byte_changed_anywhere_in_the_file_is_found_if_it_changes_anything_stored(whole, tmp_path):
    folder = a_copy(whole, tmp_path / "study")
    path = folder / "study.db"
    original, intact = path.read_bytes(), contents(path)
    chance = random.Random(5)
    missed, changed = [], 0
    for _ in range(400):
        place, bit = chance.randrange(len(original)), 1 << chance.randrange(8)
        damaged = bytearray(original)
        damaged[place] ^= bit
        path.write_bytes(damaged)
        if contents(path) == intact:
            continue
        changed += 1
        try:
            if not broken(folder):
                missed.append((place, bit))
        except DecussaError:
            pass  # the file cannot be opened at all, and that is said
    path.write_bytes(original)

    assert missed == []
    assert changed > 100


@pytest.mark.parametrize("new", [b"", b"x", None])
def test_a_changed_protocol_is_found(whole, tmp_path, new):
    folder = a_copy(whole, tmp_path / "study")
    (folder / "protocol.toml").unlink()
    if new is not None:
        (folder / "protocol.toml").write_bytes(new)

    assert broken(folder) == [
        f"study, entry 1: protocol.toml {'is missing' if new is None else 'was changed after it was locked'}."
    ]


def test_a_study_is_checked_while_it_is_written(whole, tmp_path):
    folder = a_copy(whole, tmp_path / "study")
    with open_study(folder, write=True) as study, open_journal(study, "P07-1") as journal:
        for seed in range(5):
            write_pulse(journal, seed)
            assert broken(folder) == []


def test_the_seal_of_a_session_is_the_hash_of_its_last_entry(whole):
    with open_study(whole, write=False) as study:
        heads = seals(study)

    assert list(heads) == ["study", "P07-1", "P08-1"]
    assert heads["P08-1"] == list(hashes(whole, "P08-1").values())[-1]
