"""Recordings and data sets in stores behind URLs: what comes out is what comes out on a disk."""

import functools
import http.server
import threading

import fsspec
import pandas as pd
import pytest

from decussa.batch.many import measure_archive
from decussa.batch.sources import find_sources
from decussa.model.errors import MachineError, MissingPartError, RecordingError
from decussa.recording.places import local_path
from tests.batch.archives import QUICK, bytes_of, recordings_of, write_archive


@pytest.fixture
def store(tmp_path):
    """A store in memory with a data set whose recordings need the files beside them; and the same on disk."""
    archive = write_archive(tmp_path / "lab-a", people=2)
    for path in recordings_of(archive):
        events = path.with_name(path.name.replace("_emg.edf", "_events.tsv"))
        events.write_text("onset\tduration\tstim_type\tintensity_mso\tcondition\n1.0\t0\tsingle\t40\tlow\n")
    memory = fsspec.filesystem("memory")
    memory.put(f"{archive}/", "/box/lab-a/", recursive=True)
    yield archive
    memory.rm("/", recursive=True)


def measured(paths, out, **how):
    return measure_archive(paths, out, settings=QUICK, **how)


def rows(folder):
    return pd.read_parquet(folder).drop(columns=["by_site", "by_participant"])


def test_a_data_set_in_a_store_is_measured_with_the_files_beside_each_recording(store, tmp_path):
    made = measured("memory://box/lab-a", tmp_path / "out")
    measured(store, tmp_path / "disk")
    found = rows(tmp_path / "out")

    assert len(made.measured) == 4
    assert made.measured[0].startswith("memory://")
    assert set(found["condition"]) == {"low"}
    assert set(found["pulse_from"]) == {"events"}
    # The names of parts follow from where the recordings lie; all that is in them does not.
    assert sorted(bytes_of(tmp_path / "out").values()) == sorted(bytes_of(tmp_path / "disk").values())


@pytest.mark.usefixtures("store")
def test_a_single_recording_of_a_store_finds_what_belongs_to_it(tmp_path):
    url = "memory://box/lab-a/sub-01/emg/sub-01_task-rest_run-1_emg.edf"
    (source,) = find_sources([url])
    measured(url, tmp_path / "t.csv")

    assert source.site == "lab-a"
    assert pd.read_csv(tmp_path / "t.csv")["condition"].tolist() == ["low"]


@pytest.mark.usefixtures("store")
def test_a_pattern_of_a_store_names_what_fits():
    assert len(find_sources(["memory://box/lab-a/sub-*/emg/*_run-2_emg.edf"])) == 2


@pytest.mark.usefixtures("store")
def test_a_data_set_can_lie_in_a_store_and_go_on_there():
    memory = fsspec.filesystem("memory")
    first = measured("memory://box/lab-a", "memory://shelf/out")
    before = {name: memory.cat_file(name) for name in memory.find("/shelf")}
    second = measured("memory://box/lab-a", "memory://shelf/out")

    assert (len(first.measured), len(second.measured), len(second.unchanged)) == (4, 0, 4)
    assert {name: memory.cat_file(name) for name in memory.find("/shelf")} == before
    assert all(name.endswith(".parquet") and "/." not in name for name in before)


@pytest.mark.usefixtures("store")
def test_a_changed_recording_takes_the_place_of_its_older_self_in_a_store():
    memory = fsspec.filesystem("memory")
    measured("memory://box/lab-a", "memory://shelf/out")
    memory.pipe_file("/box/lab-a/sub-01/emg/sub-01_task-rest_run-1_events.tsv", b"onset\tstim_type\n1.5\tsingle\n")
    again = measured("memory://box/lab-a", "memory://shelf/out")

    assert len(again.measured) == 1
    assert len(memory.find("/shelf")) == 4


@pytest.mark.parametrize("ending", ["csv", "parquet"])
def test_a_table_can_lie_in_a_store(store, tmp_path, ending):
    measured("memory://box/lab-a", f"memory://shelf/t.{ending}")
    measured(store, tmp_path / f"t.{ending}")

    assert fsspec.filesystem("memory").cat_file(f"/shelf/t.{ending}") == (tmp_path / f"t.{ending}").read_bytes()


@pytest.mark.usefixtures("store")
def test_a_bad_recording_of_a_store_is_named_by_its_url(tmp_path):
    bad = "/box/lab-a/sub-02/emg/sub-02_task-rest_run-1_emg.edf"
    fsspec.filesystem("memory").pipe_file(bad, b"0       " + bytes(200))
    made = measured("memory://box/lab-a", tmp_path / "t.csv")

    assert len(made.measured) == 3
    assert str(made.refused[0][1]).startswith(f"memory:/{bad}:") or str(made.refused[0][1]).startswith(
        f"memory://{bad}:"
    )
    assert "decussa-" not in str(made.refused[0][1])


@pytest.mark.usefixtures("store")
def test_recordings_are_fetched_over_http(tmp_path):
    handler = functools.partial(Quiet, directory=str(tmp_path))
    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), handler) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        base = f"http://127.0.0.1:{server.server_address[1]}/lab-a/sub-01/emg"
        made = measured(f"{base}/sub-01_task-rest_run-1_emg.edf", tmp_path / "t.csv")
        with pytest.raises((MachineError, RecordingError)):
            measured(f"{base}/nosuch.edf", tmp_path / "u.csv")
        server.shutdown()

    assert made.refused == ()
    # The server lists its folders, so that the events beside the recording were found.
    assert pd.read_csv(tmp_path / "t.csv")["condition"].tolist() == ["low"]


class Quiet(http.server.SimpleHTTPRequestHandler):
    def log_message(self, *_):
        """Say nothing."""


def test_a_url_of_a_file_is_a_path(tmp_path):
    assert local_path((tmp_path / "a b.edf").as_uri()) == tmp_path / "a b.edf"


def test_an_empty_store_and_an_unknown_kind_of_store_are_said(tmp_path):
    with pytest.raises(RecordingError, match="no recording found"):
        measured("memory://nothing/here", tmp_path / "t.csv")
    with pytest.raises((MachineError, MissingPartError), match="nosuch"):
        measured("nosuch://here/x.edf", tmp_path / "t.csv")


def test_without_the_library_for_stores_the_group_is_named(tmp_path, monkeypatch):
    monkeypatch.setattr("decussa.recording.places.find_spec", lambda _: None)

    with pytest.raises(MissingPartError, match=r"pip install '\.\[cluster\]'"):
        measured("memory://box/x.edf", tmp_path / "t.csv")
