"""The door: which file is read as what, and what is said of those that cannot be."""

import errno
from pathlib import Path

import pytest

from decussa.model.errors import MachineError, RecordingError
from decussa.recording.read import find_recordings, fingerprint, read
from tests.recording.files import noise, plain_edf, write_edf


def test_the_content_tells_the_format_not_the_ending(tmp_path):
    path = plain_edf(tmp_path / "a.edf").rename(tmp_path / "a.csv")

    assert len(read(path).events) == 2


def test_without_a_muscle_in_any_label_numbered_channels_are_taken_as_emg(tmp_path):
    recording = read(write_edf(tmp_path / "a.edf", {"CH1": noise(20_000), "Cz": noise(20_000)}))

    assert [channel.kind for channel in recording.channels] == ["emg", "other"]
    assert recording.notes == ("no label names a muscle; taken as EMG: CH1",)


def test_a_file_without_bids_name_stands_for_its_participant(tmp_path):
    assert read(plain_edf(tmp_path / "A07_rest.edf")).participant == "A07_rest"


def test_a_missing_file_is_said_to_be_missing(tmp_path):
    with pytest.raises(MachineError, match="no such file"):
        read(tmp_path / "nothing.edf")


def test_no_permission_is_said(tmp_path, monkeypatch):
    path = plain_edf(tmp_path / "a.edf")

    def refuse(self, *_, **__):
        raise PermissionError(errno.EACCES, "Permission denied", str(self))

    monkeypatch.setattr(Path, "open", refuse)  # tests may run as root, whom no file mode stops

    with pytest.raises(MachineError, match="permission denied"):
        read(path)


def test_a_folder_without_or_with_several_recordings_is_refused(tmp_path):
    with pytest.raises(RecordingError, match=r"folder does not hold one recording; .* found none"):
        read(tmp_path)
    plain_edf(tmp_path / "a.edf")
    plain_edf(tmp_path / "b.edf")
    with pytest.raises(RecordingError, match=r"found 2 recordings: a.edf, b.edf"):
        read(tmp_path)


def test_paths_that_name_no_recording_are_refused(tmp_path):
    for path in (tmp_path, str(tmp_path / "*.edf")):
        with pytest.raises(RecordingError, match="no recording found"):
            find_recordings([path])


def test_a_missing_file_stays_in_the_list_so_that_reading_it_says_why(tmp_path):
    assert find_recordings([tmp_path / "nothing.edf"]) == (tmp_path / "nothing.edf",)


def test_a_mapping_that_is_not_there_is_refused(tmp_path):
    with pytest.raises(MachineError, match="mapping cannot be read"):
        read(plain_edf(tmp_path / "a.edf"), mapping=tmp_path / "lab.toml")


def test_a_fingerprint_is_the_published_sha_256(tmp_path):
    # Source: FIPS 180-2, appendix B.1, the message "abc".
    path = tmp_path / "abc"
    path.write_bytes(b"abc")

    assert fingerprint(path) == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
