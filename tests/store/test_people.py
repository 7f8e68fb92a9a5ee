"""Participants are codes, not people, and may withdraw."""

import sqlite3
from contextlib import closing
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from decussa.model.errors import MachineError, RecordingError, UsageError
from decussa.store.check import check_study
from decussa.store.journal import open_journal
from decussa.store.kinds import KINDS
from decussa.store.people import (
    add_participant,
    add_session,
    check_pseudonym,
    needs_confirmation,
    participants,
    withdraw,
)
from decussa.store.private import keep_screening, open_private, screenings
from decussa.store.recordings import keep_recording
from decussa.store.records import Remark
from decussa.store.study import open_study
from tests.store.invented import AT, a_study, a_sweep, broken, change, hashes

BIRTH_DATES = st.dates(date(1920, 1, 1), date(2025, 12, 31))
FORMS = (
    "%Y-%m-%d",
    "%d.%m.%Y",
    "%d/%m/%Y",
    "%m/%d/%Y",
    "%Y%m%d",
    "%d%m%Y",
    "%m%d%Y",
    "%d-%m-%y",
    "%d%m%y",
    "%d %b %Y",
    "%d%b%Y",
)


@given(BIRTH_DATES, st.sampled_from(FORMS))
def test_a_birth_date_in_any_usual_form_is_refused(born, form):
    with pytest.raises(UsageError, match="birth date"):
        check_pseudonym(born.strftime(form))


@given(BIRTH_DATES, st.from_regex(r"[A-Za-z]{1,4}[_-]?", fullmatch=True))
def test_a_birth_date_behind_letters_is_refused_too(born, letters):
    with pytest.raises(UsageError, match="birth date"):
        check_pseudonym(f"{letters}{born:%Y%m%d}")


@given(st.emails())
def test_an_email_address_is_refused(address):
    with pytest.raises(UsageError, match="e-mail"):
        check_pseudonym(address)


@pytest.mark.parametrize("pseudonym", ["", " ", "a b", "P/7", "../P7", "P07.", "-P7", "P7-", "ä1", "P" * 33, "study"])
def test_what_does_not_fit_into_a_file_name_is_refused(pseudonym):
    with pytest.raises(UsageError):
        check_pseudonym(pseudonym)


@pytest.mark.parametrize("code", ["P07", "S1", "sub-012", "control_3", "X9K2", "7", "pilot-2", "FC-99-01", "20191399"])
def test_a_code_is_taken_without_a_question(code):
    check_pseudonym(code)

    assert needs_confirmation(code) == ""


@pytest.mark.parametrize(
    ("pseudonym", "why"),
    [
        ("Ottilie", "name"),
        ("berta-k", "name"),
        ("B_Quast7", "name"),
        ("KM", "initials"),
        ("abc", "name"),
        ("P120387", "birth date"),
    ],
)
def test_what_looks_like_a_person_asks(pseudonym, why):
    check_pseudonym(pseudonym)

    assert why in needs_confirmation(pseudonym)


def test_people_and_their_sessions_are_listed_in_order(tmp_path):
    folder = a_study(tmp_path / "study", people=("P2", "P1"), pulses=0)
    with open_study(folder, write=True) as study:
        second = add_session(study, "P2", at=AT)
        listed = [(one.pseudonym, one.sessions, one.withdrawn) for one in participants(study)]

    assert second == "P2-2"
    assert listed == [("P2", ("P2-1", "P2-2"), False), ("P1", ("P1-1",), False)]


def test_a_pseudonym_is_given_once_whatever_its_case(tmp_path):
    with open_study(a_study(tmp_path / "study", pulses=0), write=True) as study:
        with pytest.raises(UsageError, match="taken"):
            add_participant(study, "p07", at=AT)
        with pytest.raises(UsageError, match="expected P07"):
            add_session(study, "P08", at=AT)
    assert broken(tmp_path / "study") == []


SECRET = "words nobody may read again"


def test_withdrawal_wipes_everything_of_the_person_and_keeps_the_hashes(tmp_path):
    folder = a_study(tmp_path / "study", people=("P07", "P08"), pulses=3)
    (tmp_path / "rest.edf").write_bytes(SECRET.encode())
    with open_study(folder, write=True) as study:
        with open_journal(study, "P07-1") as journal:
            journal.append("note", Remark(text=SECRET * 400), at=AT)
            wiped_sweep = a_sweep(99).samples_uv.tobytes()
            journal.append("answered", KINDS["answered"].example, at=AT, sweep=a_sweep(99))
        keep_recording(study, tmp_path / "rest.edf", "P07", at=AT)
        (folder / "reports" / "P07").mkdir()
        (folder / "reports" / "P07" / "report.pdf").write_bytes(SECRET.encode())
        with open_private(folder, write=True) as database:
            keep_screening(database, "P07", {"metal": SECRET}, at=AT)
    everything = b"".join(path.read_bytes() for path in folder.rglob("*") if path.is_file())
    before, other = hashes(folder), hashes(folder, "P08-1")

    with open_study(folder, write=True) as study:
        done = withdraw(study, "P07", at=AT)
        with open_private(folder, write=False) as database:
            left = screenings(database, "P07")
    remains = b"".join(path.read_bytes() for path in folder.rglob("*") if path.is_file())

    assert everything.count(SECRET.encode()) > 400
    assert wiped_sweep in everything
    assert remains.count(SECRET.encode()) == 0
    assert wiped_sweep not in remains
    assert (done.entries, done.sweeps) == (10, 4)
    assert left == ()
    assert hashes(folder) == before
    assert hashes(folder, "P08-1") == other
    assert broken(folder) == []
    assert "participant P07 has withdrawn." in [finding.sentence() for finding in check_study(folder)]


def test_after_withdrawal_nothing_more_is_recorded(tmp_path):
    folder = a_study(tmp_path / "study", pulses=1)
    with open_study(folder, write=True) as study:
        withdraw(study, "P07", at=AT)

        for act in (
            lambda: add_session(study, "P07", at=AT),
            lambda: keep_recording(study, folder / "protocol.toml", "P07", at=AT),
            lambda: open_journal(study, "P07-1").__enter__(),
        ):
            with pytest.raises(UsageError, match="withdrawn"):
                act()
        with pytest.raises(UsageError, match="taken"):
            add_participant(study, "P07", at=AT)
        assert participants(study)[0].withdrawn
    with open_study(folder, write=False) as study, open_journal(study, "P07-1") as journal:
        assert {entry.body for entry in journal.entries()} == {None}
        with pytest.raises(RecordingError, match="no sweep"):
            journal.sweep(3)


def test_withdrawing_twice_changes_nothing(tmp_path):
    folder = a_study(tmp_path / "study", pulses=1)
    with open_study(folder, write=True) as study:
        withdraw(study, "P07", at=AT)
        before = hashes(folder, "study")
        withdraw(study, "P07", at=AT)

    assert hashes(folder, "study") == before
    assert broken(folder) == []


def test_files_left_by_an_interrupted_withdrawal_are_found_and_wiped_by_the_next(tmp_path):
    folder = a_study(tmp_path / "study", pulses=1)
    with open_study(folder, write=True) as study:
        withdraw(study, "P07", at=AT)
        (folder / "reports" / "P07").mkdir()
        assert any("files are left in reports" in line for line in broken(folder))
        withdraw(study, "P07", at=AT)

    assert broken(folder) == []


def test_nobody_is_wiped_while_their_session_is_written(tmp_path):
    folder = a_study(tmp_path / "study", pulses=1)
    with open_study(folder, write=True) as study, open_journal(study, "P07-1"):
        with pytest.raises(MachineError, match="session P07-1 is being written"):
            withdraw(study, "P07", at=AT)
        assert not participants(study)[0].withdrawn


def test_a_withdrawal_slipped_into_the_file_is_found(tmp_path):
    folder = a_study(tmp_path / "study", pulses=1)
    change(folder, "INSERT INTO withdrawal VALUES (1)")

    assert any("withdrawal of P07 is not in the journal of the study" in line for line in broken(folder))


def test_the_file_itself_lets_only_the_withdrawn_be_wiped(tmp_path):
    folder = a_study(tmp_path / "study", people=("P07", "P08"), pulses=1)
    with open_study(folder, write=True) as study:
        withdraw(study, "P07", at=AT)
    with closing(sqlite3.connect(folder / "study.db")) as connection:
        for statement in (
            "UPDATE entry SET salt = NULL, body = NULL, measured = NULL WHERE journal = 3",
            "DELETE FROM sweep",
            "UPDATE entry SET body = 'x' WHERE journal = 2",
        ):
            with pytest.raises(sqlite3.IntegrityError, match="never"):
                connection.execute(statement)
