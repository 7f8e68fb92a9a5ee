"""Damage in the write-ahead log, which SQLite itself passes over, is found."""

import random
import shutil

import pytest

from decussa.store.check import check_study
from decussa.store.journal import open_journal
from decussa.store.log import log_state
from decussa.store.study import open_study
from tests.store.invented import a_copy, a_study, broken, hashes, write_pulse


@pytest.fixture(scope="module")
def crashed(tmp_path_factory):
    """A study as a killed writer leaves it: everything since the start of the session is in the log."""
    place = tmp_path_factory.mktemp("log")
    folder = a_study(place / "study", pulses=0)
    with open_study(folder, write=True) as study, open_journal(study, "P07-1") as journal:
        for seed in range(4):
            write_pulse(journal, seed)
        a_copy(folder, place / "crashed")
    (place / "crashed" / "study.db-shm").unlink()
    return place / "crashed"


def test_the_log_a_killed_writer_leaves_is_whole(crashed, tmp_path):
    folder = a_copy(crashed, tmp_path / "study")

    assert log_state(folder / "study.db") == "whole"
    assert check_study(folder) == []
    assert len(hashes(folder)) == 10


def test_a_study_without_a_log_has_a_whole_one(tmp_path):
    assert log_state(a_study(tmp_path / "study", pulses=0) / "study.db") == "whole"


def test_a_byte_changed_anywhere_in_the_log_is_said(crashed, tmp_path):
    folder = a_copy(crashed, tmp_path / "study")
    log = folder / "study.db-wal"
    original = log.read_bytes()
    chance = random.Random(3)
    said = set()
    for place in [*range(0, 60, 4), *(chance.randrange(len(original)) for _ in range(25))]:
        damaged = bytearray(original)
        damaged[place] ^= 1 << chance.randrange(8)
        log.write_bytes(damaged)
        state = log_state(folder / "study.db")
        (folder / "study.db-shm").unlink(missing_ok=True)

        assert state != "whole", place
        assert bool(broken(folder)) is (state == "damaged")
        said.add(state)

    assert said == {"damaged", "unfinished"}


def test_a_log_that_ends_anywhere_is_no_damage(crashed, tmp_path):
    folder = a_copy(crashed, tmp_path / "study")
    log = folder / "study.db-wal"
    original = log.read_bytes()
    for length in [0, 1, 31, 32, 33, *range(100, len(original), 9973)]:
        log.write_bytes(original[:length])

        assert log_state(folder / "study.db") == "whole"


def test_frames_of_an_earlier_round_are_no_damage(crashed, tmp_path):
    folder = a_copy(crashed, tmp_path / "study")
    with open_study(folder, write=True) as study, open_journal(study, "P07-1") as journal:
        write_pulse(journal, 1, n_samples=600_000)  # more than the log holds: SQLite starts it over, from the front
        write_pulse(journal, 2)
        write_pulse(journal, 3)
        shutil.copytree(folder, tmp_path / "later")

    assert log_state(tmp_path / "later" / "study.db") == "whole"
    assert broken(tmp_path / "later") == []
