"""A journal only grows, and what it says is what was written."""

import sqlite3
from contextlib import closing

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from decussa.model.errors import MachineError, RecordingError, UsageError
from decussa.store.chain import START, link
from decussa.store.codec import encode_sweep
from decussa.store.journal import open_journal
from decussa.store.kinds import KINDS
from decussa.store.people import add_participant, add_session
from decussa.store.study import create_study, open_study
from tests.store.invented import AT, MEASURED, PROTOCOL_TEXT, a_study, a_sweep, broken, change, hashes, write_pulse
from tests.strategies import BODIES, sweeps
from tests.strategies import MEASURED as ANY_MEASURED

KIND_OF = {record: kind for kind, entry in KINDS.items() for record in entry.holds}


@pytest.fixture
def journal(tmp_path):
    with create_study(tmp_path / "study", "hand", PROTOCOL_TEXT, at=AT) as study:
        add_participant(study, "P07", at=AT)
        with open_journal(study, add_session(study, "P07", at=AT)) as opened:
            yield opened


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(st.lists(st.tuples(BODIES, st.none() | sweeps(), st.none() | ANY_MEASURED), max_size=4))
def test_everything_appended_is_read_back_as_it_was(journal, contents):
    before = len(journal.entries())
    written = [
        journal.append(KIND_OF[type(body)], body, at=AT, sweep=sweep, measured=measured)
        for body, sweep, measured in contents
    ]

    assert repr(journal.entries(after=before)) == repr(tuple(written))
    assert [entry.number for entry in written] == list(range(before + 1, before + 1 + len(contents)))
    for entry, (_, sweep, _) in zip(written, contents, strict=True):
        assert entry.has_sweep is (sweep is not None)
        if sweep is not None:
            assert encode_sweep(journal.sweep(entry.number)) == encode_sweep(sweep)


def test_each_entry_is_chained_to_the_one_before(journal):
    for seed in range(3):
        write_pulse(journal, seed)

    with closing(sqlite3.connect(journal.study.folder / "study.db")) as connection:
        rows = connection.execute(
            "SELECT number, at, kind, body_sha256, measured_sha256, sweep_sha256, hash FROM entry WHERE journal = 2 ORDER BY 1"
        ).fetchall()
    previous = START
    for number, at, kind, *prints, own in rows:
        assert own == link(previous, "P07-1", number, at, kind, tuple(prints))
        previous = own


def test_equal_answers_have_unequal_fingerprints(journal):
    first, second = (journal.append("tolerance", KINDS["tolerance"].example, at=AT) for _ in range(2))

    with closing(sqlite3.connect(journal.study.folder / "study.db")) as connection:
        prints = connection.execute(
            "SELECT body_sha256 FROM entry WHERE journal = 2 AND number IN (?, ?)", (first.number, second.number)
        )
        assert len(set(prints.fetchall())) == 2


@pytest.mark.parametrize("at", ["", "now", "2026-03-01", "2026-03-01T09:30:00", "2026-03-01T09:30:00+01:00", None])
def test_a_time_that_is_not_utc_is_refused(journal, at):
    with pytest.raises(UsageError, match="ime of an entry"):
        journal.append("note", KINDS["note"].example, at=at)
    assert journal.entries() == ()


def test_a_kind_or_record_that_does_not_belong_is_refused(journal):
    with pytest.raises(UsageError, match="ind of entry is not known; expected study created, "):
        journal.append("nonsense", KINDS["note"].example, at=AT)
    with pytest.raises(
        UsageError, match="cannot hold this record; expected Deliver or Ask or Rest or Show; found Remark"
    ):
        journal.append("asked", KINDS["note"].example, at=AT)
    assert journal.entries() == ()


def test_an_entry_without_a_sweep_says_so(journal):
    journal.append("note", KINDS["note"].example, at=AT)

    with pytest.raises(RecordingError, match="P07-1, entry 1: entry has no sweep"):
        journal.sweep(1)


def test_a_second_writer_is_refused_and_told_what_to_do(journal):
    with (
        open_study(journal.study.folder, write=True) as other,
        pytest.raises(
            MachineError, match=r"session P07-1 is being written by another program.*process \d+.*close it first"
        ),
        open_journal(other, "P07-1"),
    ):
        pass


def test_a_second_reader_sees_each_entry_while_the_first_writes(journal):
    with open_study(journal.study.folder, write=False) as other, open_journal(other, "P07-1") as onlooker:
        for seed in range(3):
            write_pulse(journal, seed)
            assert onlooker.entries() == journal.entries() or repr(onlooker.entries()) == repr(journal.entries())
        with pytest.raises(UsageError, match="opened for reading"):
            onlooker.append("note", KINDS["note"].example, at=AT)


def test_two_sessions_of_a_study_are_written_side_by_side(tmp_path):
    folder = a_study(tmp_path / "study", people=("P07", "P08"), pulses=0)
    with (
        open_study(folder, write=True) as one,
        open_study(folder, write=True) as other,
        open_journal(one, "P07-1") as first,
        open_journal(other, "P08-1") as second,
    ):
        for seed in range(5):
            write_pulse(first, seed)
            write_pulse(second, seed)

    assert broken(folder) == []
    assert (len(hashes(folder, "P07-1")), len(hashes(folder, "P08-1"))) == (12, 12)


def test_an_unknown_session_is_refused_with_the_known_ones(tmp_path):
    with (
        open_study(a_study(tmp_path / "study"), write=True) as study,
        pytest.raises(UsageError, match="expected P07-1; found 'P7'"),
        open_journal(study, "P7"),
    ):
        pass


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE entry SET body = 'x' WHERE number = 2",
        "UPDATE entry SET at = 'x'",
        "UPDATE entry SET salt = NULL, body = NULL, measured = NULL",
        "DELETE FROM entry WHERE number = 3",
        "INSERT OR REPLACE INTO entry SELECT * FROM entry WHERE number = 2",
        "UPDATE sweep SET samples = x'00'",
        "DELETE FROM sweep",
        "INSERT OR REPLACE INTO sweep SELECT * FROM sweep",
        "UPDATE journal SET head_number = 0",
        "UPDATE journal SET name = 'x' WHERE id = 2",
        "DELETE FROM journal",
        "UPDATE participant SET pseudonym = 'x'",
        "DELETE FROM participant",
    ],
)
def test_the_file_itself_refuses_to_change_or_delete(tmp_path, statement):
    folder = a_study(tmp_path / "study", pulses=2)
    with closing(sqlite3.connect(folder / "study.db")) as connection, pytest.raises(sqlite3.IntegrityError):
        connection.execute(statement)

    assert broken(folder) == []


def test_an_entry_that_cannot_be_read_is_said_with_its_number(tmp_path):
    folder = a_study(tmp_path / "study", pulses=1)
    change(folder, "UPDATE entry SET body = '{}' WHERE journal = 2 AND number = 2")

    with (
        open_study(folder, write=False) as study,
        open_journal(study, "P07-1") as journal,
        pytest.raises(RecordingError, match="P07-1, entry 2: stored record cannot be read"),
    ):
        journal.entries()


def test_values_measured_anew_stand_beside_the_old_ones(journal):
    _, answered = write_pulse(journal, 1)
    journal.append("remeasured", KINDS["remeasured"].example, at=AT, measured=MEASURED)

    entries = journal.entries()
    assert [entry.kind for entry in entries] == ["asked", "answered", "remeasured"]
    assert all(entry.measured is not None for entry in entries[1:])
    assert encode_sweep(journal.sweep(answered)) == encode_sweep(a_sweep(1))
