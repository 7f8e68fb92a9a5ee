"""Files taken in stay as they are, and any change is found."""

import pytest

from decussa.model.errors import MachineError, UsageError
from decussa.store.recordings import keep_recording, left_streams, place_for_stream, sha256_of
from decussa.store.study import open_study
from tests.store.invented import AT, a_study, broken


@pytest.fixture
def file(tmp_path):
    path = tmp_path / "rest.edf"
    path.write_bytes(b"0       " * 1000)
    return path


def test_a_file_is_kept_byte_for_byte(tmp_path, file):
    folder = a_study(tmp_path / "study", pulses=0)
    with open_study(folder, write=True) as study:
        kept = keep_recording(study, file, "P07", at=AT)

    assert kept == folder / "recordings" / "P07" / "rest.edf"
    assert kept.read_bytes() == file.read_bytes()
    assert broken(folder) == []


def test_the_hash_is_the_published_one(tmp_path):
    # FIPS 180-2, appendix B.1: SHA-256 of "abc".
    (tmp_path / "abc").write_bytes(b"abc")

    assert sha256_of(tmp_path / "abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_a_changed_a_missing_and_a_foreign_file_are_found(tmp_path, file):
    folder = a_study(tmp_path / "study", pulses=0)
    with open_study(folder, write=True) as study:
        kept = keep_recording(study, file, "P07", at=AT)
    kept.chmod(0o644)
    kept.write_bytes(kept.read_bytes()[:-1] + b"1")
    assert broken(folder) == ["study, entry 4: recording P07/rest.edf was changed."]

    kept.rename(kept.with_name("other.edf"))
    assert broken(folder) == [
        "study, entry 4: recording P07/rest.edf is missing.",
        "file P07/other.edf in recordings was never taken in.",
    ]


def test_a_name_is_taken_once(tmp_path, file):
    folder = a_study(tmp_path / "study", pulses=0)
    with open_study(folder, write=True) as study:
        keep_recording(study, file, "P07", at=AT)
        with pytest.raises(UsageError, match="recording of that name; found the same file"):
            keep_recording(study, file, "P07", at=AT)
        file.write_bytes(b"another")
        with pytest.raises(UsageError, match="recording of that name; found another file"):
            keep_recording(study, file, "P07", at=AT)

    assert broken(folder) == []


def test_a_file_left_by_a_crash_is_replaced(tmp_path, file):
    folder = a_study(tmp_path / "study", pulses=0)
    (folder / "recordings" / "P07").mkdir()
    (folder / "recordings" / "P07" / "rest.edf").write_bytes(b"half")
    with open_study(folder, write=True) as study:
        kept = keep_recording(study, file, "P07", at=AT)

    assert kept.read_bytes() == file.read_bytes()
    assert broken(folder) == []


def test_a_file_that_is_not_there_is_said(tmp_path):
    folder = a_study(tmp_path / "study", pulses=0)
    with open_study(folder, write=True) as study, pytest.raises(MachineError, match=r"nowhere\.edf"):
        keep_recording(study, tmp_path / "nowhere.edf", "P07", at=AT)

    assert broken(folder) == []


def test_a_copy_that_a_crash_cut_off_is_no_stream_that_was_left(tmp_path, file, monkeypatch):
    folder = a_study(tmp_path / "study", pulses=0)

    def cut_off(source, target):
        target.write_bytes(source.read_bytes()[:100])
        raise KeyboardInterrupt

    with open_study(folder, write=True) as study:
        monkeypatch.setattr("shutil.copyfile", cut_off)
        with pytest.raises(KeyboardInterrupt):
            keep_recording(study, file, "P07", at=AT)
        stream = place_for_stream(study, "P07", "P07-1-EMG.bdf")
        stream.write_bytes(b"")
        left = left_streams(study, "P07")

    assert left == (stream,)
    assert len(broken(folder)) == 1
    assert "was never taken in" in broken(folder)[0]
