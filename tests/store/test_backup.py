"""A back-up is a study that can be checked, without what is private."""

import stat

import pytest

from decussa.model.errors import UsageError
from decussa.store.backup import back_up, back_up_private
from decussa.store.journal import open_journal
from decussa.store.operators import add_operator, operators
from decussa.store.private import open_private
from decussa.store.recordings import keep_recording
from decussa.store.study import open_study
from tests.store.invented import AT, a_study, broken, hashes, write_pulse


def test_a_back_up_made_while_a_session_is_written_is_whole(tmp_path):
    folder = a_study(tmp_path / "study", pulses=2)
    with open_study(folder, write=True) as study:
        keep_recording(study, folder / "protocol.toml", "P07", at=AT)
        with open_journal(study, "P07-1") as journal:
            write_pulse(journal, 7)
            back_up(folder, tmp_path / "copy")
            then = hashes(folder)
            write_pulse(journal, 8)

    assert {path.name for path in (tmp_path / "copy").iterdir()} == {
        "protocol.toml", "study.db", "recordings", "reports", "locks",
    }  # fmt: skip
    assert hashes(tmp_path / "copy") == then
    assert broken(tmp_path / "copy") == []


def test_a_back_up_can_be_gone_on_with(tmp_path):
    back_up(a_study(tmp_path / "study", pulses=1), tmp_path / "copy")
    with open_study(tmp_path / "copy", write=True) as study, open_journal(study, "P07-1") as journal:
        write_pulse(journal, 9)

    assert broken(tmp_path / "copy") == []
    assert len(hashes(tmp_path / "copy")) == 6


def test_the_private_file_is_backed_up_apart_and_stays_private(tmp_path):
    folder = a_study(tmp_path / "study", pulses=0)
    with open_private(folder, write=True) as database:
        add_operator(database, "OP1", "Invented Person", pin="4711")
    back_up_private(folder, tmp_path / "private.db")

    assert stat.S_IMODE((tmp_path / "private.db").stat().st_mode) == 0o600
    with open_private(tmp_path, write=False) as database:
        assert [(one.code, one.name) for one in operators(database)] == [("OP1", "Invented Person")]


def test_nothing_is_overwritten(tmp_path):
    folder = a_study(tmp_path / "study", pulses=0)
    with pytest.raises(UsageError, match="not empty"):
        back_up(folder, folder)
    with pytest.raises(UsageError, match="there already"):
        back_up_private(folder, folder / "private.db")


def test_a_back_up_says_how_far_it_is_until_everything_is_copied(tmp_path):
    folder = a_study(tmp_path / "study", pulses=1)
    (folder / "reports" / "a.pdf").write_bytes(b"x" * 1000)
    said = []
    back_up(folder, tmp_path / "copy", progress=lambda copied, of: said.append((copied, of)))

    assert [copied for copied, _ in said] == sorted(copied for copied, _ in said)
    assert said[-1][0] == said[-1][1] == 1000 + (folder / "study.db").stat().st_size
