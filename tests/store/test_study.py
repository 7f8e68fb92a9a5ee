"""A study is one folder, made whole or not at all."""

import hashlib
import os
import stat

import pytest

from decussa.model.errors import MachineError, RecordingError, UsageError
from decussa.store import study as study_module
from decussa.store.journal import open_journal
from decussa.store.people import add_participant, participants
from decussa.store.records import StudyCreated
from decussa.store.study import create_study, open_study
from tests.store.invented import AT, PROTOCOL_TEXT, broken


def test_a_new_study_has_its_parts_and_is_in_order(tmp_path):
    create_study(tmp_path / "new" / "study", "hand", PROTOCOL_TEXT, at=AT)
    folder = tmp_path / "new" / "study"

    assert {path.name for path in folder.iterdir()} == {
        "protocol.toml", "study.db", "private.db", "recordings", "reports", "locks",
    }  # fmt: skip
    assert broken(folder) == []
    assert list((tmp_path / "new").iterdir()) == [folder]


def test_the_protocol_is_locked_with_its_hash(tmp_path):
    with create_study(tmp_path / "study", "hand", PROTOCOL_TEXT, at=AT) as study, open_journal(study) as journal:
        first = journal.entries()[0]
        text = study.protocol_text

    assert text == PROTOCOL_TEXT
    assert isinstance(first.body, StudyCreated)
    assert first.body.protocol_sha256 == hashlib.sha256(PROTOCOL_TEXT.encode()).hexdigest()
    assert stat.S_IMODE((tmp_path / "study" / "protocol.toml").stat().st_mode) == 0o444


def test_the_private_file_is_for_its_owner_only_from_the_start(tmp_path):
    before = os.umask(0)
    try:
        create_study(tmp_path / "study", "hand", PROTOCOL_TEXT, at=AT)
    finally:
        os.umask(before)

    assert stat.S_IMODE((tmp_path / "study" / "private.db").stat().st_mode) == 0o600


def test_an_empty_folder_is_taken_and_a_full_one_is_refused(tmp_path):
    (tmp_path / "empty").mkdir()
    create_study(tmp_path / "empty", "hand", PROTOCOL_TEXT, at=AT)

    with pytest.raises(UsageError, match="not empty"):
        create_study(tmp_path / "empty", "hand", PROTOCOL_TEXT, at=AT)
    assert broken(tmp_path / "empty") == []


def test_a_study_that_cannot_be_finished_leaves_nothing(tmp_path, monkeypatch):
    def fail(folder):
        raise MachineError("disk is full", where=folder)

    monkeypatch.setattr(study_module.private, "create", fail)

    with pytest.raises(MachineError, match="disk is full"):
        create_study(tmp_path / "study", "hand", PROTOCOL_TEXT, at=AT)
    assert list(tmp_path.iterdir()) == []


def test_a_folder_without_a_study_is_refused(tmp_path):
    with pytest.raises(RecordingError, match="no study"):
        open_study(tmp_path, write=False)


def test_a_study_is_open_only_inside_with(tmp_path):
    study = create_study(tmp_path / "study", "hand", PROTOCOL_TEXT, at=AT)

    with pytest.raises(UsageError, match="not open"):
        participants(study)


def test_a_study_opened_to_look_on_cannot_be_changed(tmp_path):
    create_study(tmp_path / "study", "hand", PROTOCOL_TEXT, at=AT)

    with open_study(tmp_path / "study", write=False) as study, pytest.raises(UsageError, match="opened for reading"):
        add_participant(study, "P07", at=AT)
