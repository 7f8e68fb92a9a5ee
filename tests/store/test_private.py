"""Names, PINs and screening answers stay in a file of their own."""

import stat

import pytest

from decussa.model.errors import UsageError
from decussa.store.check import check_study
from decussa.store.private import (
    add_operator,
    forget_screenings,
    keep_screening,
    open_private,
    operators,
    pin_is_right,
    screenings,
)
from tests.store.invented import AT, a_study, broken


@pytest.fixture
def folder(tmp_path):
    return a_study(tmp_path / "study", pulses=1)


def test_an_operator_is_known_by_code_and_pin(folder):
    with open_private(folder, write=True) as database:
        add_operator(database, "OP1", "Invented Person", "4711")

        assert operators(database) == {"OP1": "Invented Person"}
        assert pin_is_right(database, "OP1", "4711")
        assert not pin_is_right(database, "OP1", "4712")
        assert not pin_is_right(database, "OP2", "4711")
        with pytest.raises(UsageError, match="taken"):
            add_operator(database, "OP1", "Another", "9999")
        with pytest.raises(UsageError, match="too short"):
            add_operator(database, "OP2", "Another", "99")


def test_the_pin_itself_is_nowhere(folder):
    with open_private(folder, write=True) as database:
        add_operator(database, "OP1", "Invented Person", "a long secret pin")
        add_operator(database, "OP2", "Invented Person", "a long secret pin")
    content = b"".join(path.read_bytes() for path in folder.glob("private.db*"))

    assert b"secret pin" not in content


def test_screening_answers_are_kept_by_time_and_can_be_forgotten(folder):
    with open_private(folder, write=True) as database:
        keep_screening(database, "P07", {"metal": "no"}, at="2026-03-02T09:00:00Z")
        keep_screening(database, "P07", {"metal": "yes"}, at="2026-03-01T09:00:00Z")
        keep_screening(database, "P08", {"metal": "no"}, at=AT)
        assert screenings(database, "P07") == (
            ("2026-03-01T09:00:00Z", {"metal": "yes"}),
            ("2026-03-02T09:00:00Z", {"metal": "no"}),
        )

        forget_screenings(database, "P07")

        assert screenings(database, "P07") == ()
        assert len(screenings(database, "P08")) == 1


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
