"""Tables on disk: there and back with types, whole or not at all."""

import resource
from contextlib import contextmanager

import numpy as np
import pandas as pd
import pytest

from decussa.model.errors import MachineError, MissingPartError, RecordingError, UsageError
from decussa.recording import parquet
from decussa.recording.tables import read_table, write_table
from decussa.recording.whole_file import whole_file

TRIALS = pd.DataFrame(
    {
        "participant": ["007", "NA", "Zoë, the 3rd"],
        "muscle": ["FDI", "FDI", ""],
        "sweep": [1, 2, 3],
        "isi_ms": [np.nan, 2.5, 0.1 + 0.2],
        "clipped_samples": [0, 0, 4],
        "reason": ["", "background 12.1 uV", 'said "no"'],
    }
)


@contextmanager
def no_more_room_than(n_bytes):
    """Let the machine itself refuse: no file may grow beyond ``n_bytes``."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (n_bytes, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


@pytest.mark.parametrize("ending", [".csv", ".tsv", ".parquet"])
def test_a_table_comes_back_as_it_was(tmp_path, ending):
    write_table(TRIALS, tmp_path / f"trials{ending}")

    pd.testing.assert_frame_equal(read_table(tmp_path / f"trials{ending}"), TRIALS, check_exact=True)


def test_missing_is_an_empty_cell(tmp_path):
    write_table(TRIALS, tmp_path / "trials.csv")

    assert (tmp_path / "trials.csv").read_text().splitlines()[1] == "007,FDI,1,,0,"


@pytest.mark.parametrize("name", ["trials.xlsx", "trials"])
def test_another_ending_is_wrong_usage(tmp_path, name):
    with pytest.raises(UsageError, match=r"expected \.csv, \.tsv or \.parquet"):
        write_table(TRIALS, tmp_path / name)


def test_parquet_without_its_part_names_what_to_install(tmp_path, monkeypatch):
    monkeypatch.setattr(parquet, "find_spec", lambda _: None)

    with pytest.raises(MissingPartError, match=r"\.\[parquet\]"):
        write_table(TRIALS, tmp_path / "trials.parquet")


@pytest.mark.parametrize("ending", [".csv", ".parquet"])
def test_a_full_disk_leaves_the_old_table_and_nothing_else(tmp_path, ending):
    path = tmp_path / f"trials{ending}"
    write_table(TRIALS, path)
    before = path.read_bytes()

    with no_more_room_than(1000), pytest.raises(MachineError, match="nothing was changed"):
        write_table(pd.concat([TRIALS] * 500), path)

    assert path.read_bytes() == before
    assert list(tmp_path.iterdir()) == [path]


def test_a_folder_that_is_not_there_is_named(tmp_path):
    with pytest.raises(MachineError, match="folder does not exist"):
        write_table(TRIALS, tmp_path / "nowhere" / "trials.csv")


def test_a_folder_or_device_in_the_way_is_left_alone(tmp_path):
    (tmp_path / "trials.csv").mkdir()

    with pytest.raises(MachineError, match="cannot write here"):
        write_table(TRIALS, tmp_path / "trials.csv")


def test_a_fault_while_writing_leaves_nothing_and_is_not_hidden(tmp_path):
    def fail_halfway():
        with whole_file(tmp_path / "a.txt") as partial:
            partial.write_text("half")
            _ = 1 / 0

    with pytest.raises(ZeroDivisionError):
        fail_halfway()

    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("name", "content", "error", "words"),
    [
        ("t.csv", b"a,b\n1,2\n", RecordingError, "not a table of trials"),
        ("t.csv", b"", RecordingError, "table"),
        ("t.csv", b"participant,muscle,isi_ms\nA,FDI,soon\n", RecordingError, "could not convert"),
        ("t.csv", b"participant,muscle\n\xff\xfe,1\n", RecordingError, "table cannot be read"),
        ("t.csv", b'participant,muscle\n"A,1\n', RecordingError, "table cannot be read"),
        ("t.parquet", b"PAR1 and no more", RecordingError, "table cannot be read"),
    ],
)
def test_a_file_that_is_no_table_of_ours_is_refused(tmp_path, name, content, error, words):
    (tmp_path / name).write_bytes(content)

    with pytest.raises(error, match=words):
        read_table(tmp_path / name)


def test_a_missing_table_is_said_to_be_missing(tmp_path):
    with pytest.raises(MachineError, match="no such file"):
        read_table(tmp_path / "t.csv")
