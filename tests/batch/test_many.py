"""Many recordings: nothing is measured twice or lost, whoever does the work and whatever stops it."""

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import replace
from itertools import islice

import pandas as pd
import pytest

from decussa.batch import one
from decussa.batch.many import measure_archive
from decussa.batch.measure import measure_recording
from decussa.batch.one import Job
from decussa.batch.parts import PartStore
from decussa.batch.settings import MeasureSettings
from decussa.batch.sources import find_sources
from decussa.batch.workers import Task
from decussa.compose.summarising import sum_up
from decussa.model.errors import MachineError, ProtocolError, RecordingError, UsageError
from decussa.model.table import TRIAL_NAMES
from decussa.recording.parquet import read_provenance
from decussa.recording.read import read
from decussa.recording.tables import read_table
from tests.batch.archives import QUICK, bytes_of, die_at_one, recordings_of, write_archive


@pytest.fixture
def archive(tmp_path):
    return write_archive(tmp_path / "lab-a")


def measured(archive, out, **how):
    return measure_archive(archive, out, settings=QUICK, **how)


def test_a_data_set_holds_for_every_recording_what_measuring_it_alone_gives(archive, tmp_path):
    measured(archive, tmp_path / "out")
    held = pd.read_parquet(tmp_path / "out")

    for path in recordings_of(archive):
        recording = read(path)
        alone = measure_recording(recording, QUICK)
        rows = held[held["recording"] == recording.name].reset_index(drop=True)
        pd.testing.assert_frame_equal(rows[["sweep", "amplitude_uv"]], alone[["sweep", "amplitude_uv"]])
        assert rows["method"].tolist() == alone["method"].tolist()
    assert len(held) == 12


def test_a_data_set_lies_by_site_and_participant_and_says_both_in_its_rows(archive, tmp_path):
    measured(archive, tmp_path / "out")
    parts = sorted((tmp_path / "out").rglob("*.parquet"))

    assert {part.parent.relative_to(tmp_path / "out").as_posix() for part in parts} == {
        f"by_site=lab-a/by_participant=0{person}" for person in (1, 2, 3)
    }
    assert set(pd.read_parquet(parts[0])["participant"]) == {"01"}
    assert set(pd.read_parquet(parts[0])["site"]) == {"lab-a"}


def test_each_row_group_says_from_which_bytes_by_which_settings_and_version_it_was_made(archive, tmp_path):
    measured(archive, tmp_path / "out", site="Basement")
    part = min((tmp_path / "out").rglob("*.parquet"))
    (said,) = read_provenance(part)
    path = archive / "sub-01" / "emg" / "sub-01_task-rest_run-1_emg.edf"
    # Source of the check: the system's own sha256sum.
    summed = subprocess.run(["sha256sum", path], capture_output=True, text=True, check=True).stdout.split()[0]

    assert said["files"] == {"sub-01/emg/sub-01_task-rest_run-1_emg.edf": summed}
    assert said["site"] == "Basement"
    assert json.loads(said["settings"])["onset"] == "threshold"
    assert said["verdicts"]["accept"] + said["verdicts"]["doubtful"] + said["verdicts"]["reject"] == 2


def test_one_table_has_a_row_group_and_its_provenance_for_each_recording(archive, tmp_path):
    measured(archive, tmp_path / "t.parquet")
    said = read_provenance(tmp_path / "t.parquet")

    assert [entry["recording"] for entry in said] == [
        path.relative_to(archive).as_posix() for path in recordings_of(archive)
    ]
    assert list(read_table(tmp_path / "t.parquet").columns) == list(TRIAL_NAMES)


def test_what_is_measured_and_unchanged_is_not_measured_again(archive, tmp_path, monkeypatch):
    before = measured(archive, tmp_path / "out")
    monkeypatch.setattr(one, "measure_recording", lambda *_: pytest.fail("measured again"))
    after = measured(archive, tmp_path / "out")

    assert (len(before.measured), len(before.unchanged)) == (6, 0)
    assert (len(after.measured), len(after.unchanged)) == (0, 6)
    assert after.verdicts == before.verdicts


def test_a_changed_recording_takes_the_place_of_its_older_self(archive, tmp_path):
    measured(archive, tmp_path / "out")
    changed, other = recordings_of(archive)[:2]
    shutil.copy(other, changed)
    again = measured(archive, tmp_path / "out")
    measured(archive, tmp_path / "fresh")

    assert again.measured == (str(changed),)
    assert bytes_of(tmp_path / "out") == bytes_of(tmp_path / "fresh")
    assert any("same bytes" in note for note in again.notes)


@pytest.mark.parametrize("name", ["run-1_events.tsv", "run-1_channels.tsv"])
def test_a_changed_file_beside_a_recording_has_it_measured_again(archive, tmp_path, name):
    beside = archive / "sub-01" / "emg" / f"sub-01_task-rest_{name}"
    text = {
        "run-1_events.tsv": "onset\tduration\tstim_type\tintensity_mso\n1.0\t0\tsingle\t52\n",
        "run-1_channels.tsv": "name\ttype\tunits\nEMG FDI R\tEMG\tuV\n",
    }[name]
    measured(archive, tmp_path / "out")
    beside.write_text(text)

    assert len(measured(archive, tmp_path / "out").measured) == 1
    assert len(measured(archive, tmp_path / "out").measured) == 0


def test_other_settings_have_everything_measured_again(archive, tmp_path):
    measured(archive, tmp_path / "out")
    again = measure_archive(archive, tmp_path / "out", settings=MeasureSettings(onset=None, intervals=False))

    assert len(again.measured) == 6
    assert len(pd.read_parquet(tmp_path / "out")) == 12


def test_an_archive_that_was_moved_is_known_by_its_bytes(archive, tmp_path):
    measured(archive, tmp_path / "out")
    before = pd.read_parquet(tmp_path / "out")
    (tmp_path / "attic").mkdir()
    archive.rename(tmp_path / "attic" / "lab-a")
    again = measured(tmp_path / "attic" / "lab-a", tmp_path / "out")
    measured(tmp_path / "attic" / "lab-a", tmp_path / "fresh")

    assert (len(again.measured), len(again.unchanged)) == (0, 6)
    assert len(pd.read_parquet(tmp_path / "out")) == len(before)
    assert bytes_of(tmp_path / "out") == bytes_of(tmp_path / "fresh")


def test_sites_are_added_to_one_data_set(archive, tmp_path):
    other = write_archive(tmp_path / "lab-b", people=1, first=9)
    measured(archive, tmp_path / "out")
    measured(other, tmp_path / "out")
    held = pd.read_parquet(tmp_path / "out")

    assert held.groupby("site").size().to_dict() == {"lab-a": 12, "lab-b": 4}


def test_a_data_set_is_read_and_summed_up_site_by_site(archive, tmp_path):
    write_archive(tmp_path / "lab-b", people=1)
    measured(archive, tmp_path / "out")
    measured(tmp_path / "lab-b", tmp_path / "out")
    measured(tmp_path / "lab-b", tmp_path / "b.csv")
    whole = read_table(tmp_path / "out")
    _, summary = sum_up([tmp_path / "out"])
    _, alone = sum_up([tmp_path / "b.csv"])

    # Both sites have a participant 01: they are two people, and neither is a number.
    assert whole.groupby(["site", "participant"]).size().to_dict() == {
        ("lab-a", "01"): 4, ("lab-a", "02"): 4, ("lab-a", "03"): 4, ("lab-b", "01"): 4,
    }  # fmt: skip
    of_b = summary[summary["site"] == "lab-b"].drop(columns="site").reset_index(drop=True)
    pd.testing.assert_frame_equal(of_b, alone)


def test_a_bad_recording_is_listed_and_its_older_rows_go(archive, tmp_path):
    measured(archive, tmp_path / "out")
    bad = recordings_of(archive)[2]
    bad.write_bytes(bad.read_bytes()[:900])
    again = measured(archive, tmp_path / "out")

    assert [place for place, _ in again.refused] == [str(bad)]
    assert isinstance(again.refused[0][1], RecordingError)
    assert len(again.unchanged) == 5
    assert len(pd.read_parquet(tmp_path / "out")) == 10


def test_a_fault_of_the_program_in_one_recording_does_not_stop_the_others(archive, tmp_path, monkeypatch):
    bad = recordings_of(archive)[1]

    def measure(recording, *rest):
        return 1 / 0 if recording.path == str(bad) else measure_recording(recording, *rest)

    monkeypatch.setattr(one, "measure_recording", measure)
    archive_made = measured(archive, tmp_path / "t.csv")

    assert [(place, fault) for place, fault, _ in archive_made.faults] == [
        (str(bad), "ZeroDivisionError: division by zero")
    ]
    assert len(read_table(tmp_path / "t.csv")) == 10


def test_a_part_that_is_damaged_is_made_anew(archive, tmp_path):
    measured(archive, tmp_path / "out")
    whole = bytes_of(tmp_path / "out")
    part = min((tmp_path / "out").rglob("*.parquet"))
    part.write_bytes(part.read_bytes()[:100])
    again = measured(archive, tmp_path / "out")

    assert len(again.measured) == 1
    assert bytes_of(tmp_path / "out") == whole


def test_a_recording_that_is_there_twice_after_a_crash_is_there_once_after_the_next_run(archive, tmp_path):
    measured(archive, tmp_path / "out")
    whole = bytes_of(tmp_path / "out")
    part = min((tmp_path / "out").rglob("*.parquet"))
    shutil.copy(part, part.with_name(part.name[:-15] + "0000000.parquet"))
    measured(archive, tmp_path / "out")

    assert bytes_of(tmp_path / "out") == whole


def test_broken_off_anywhere_and_resumed_the_data_set_is_the_same_byte_for_byte(archive, tmp_path):
    measured(archive, tmp_path / "whole")
    job = Job(settings=QUICK, parts=PartStore(str(tmp_path / "out")))
    for stop in (1, 3, 2):
        there = job.parts.list_parts()
        tasks = [Task(source, there.get(source.identity)) for source in find_sources([archive])][::-1]
        list(islice((one.measure_one(job, task.source, task.known) for task in tasks), stop))
        assert len(bytes_of(tmp_path / "out")) <= 3
    measured(archive, tmp_path / "out")

    assert bytes_of(tmp_path / "out") == bytes_of(tmp_path / "whole")


@pytest.fixture(scope="module")
def by_one_process(tmp_path_factory):
    """A larger archive, and what one process makes of it."""
    root = tmp_path_factory.mktemp("archive")
    write_archive(root / "lab-a", people=10, runs=4)
    bad = recordings_of(root / "lab-a")[5]
    bad.write_bytes(b"0       " + bytes(300))
    made = measured(root / "lab-a", root / "whole")
    assert len(made.refused) == 1
    return root


def test_processes_give_what_one_gives_even_when_they_are_killed(by_one_process, tmp_path):
    seen = []

    def kill_one_after_three(number, _count, place, *_sweeps):
        seen.append(place)
        if number == 4:
            os.kill(children()[-1], signal.SIGKILL)

    made = measured(by_one_process / "lab-a", tmp_path / "out", workers=2, progress=kill_one_after_three)

    assert seen == [str(path) for path in recordings_of(by_one_process / "lab-a")]
    assert len(made.measured) + len(made.unchanged) == 39
    assert len(made.refused) == 1
    assert bytes_of(tmp_path / "out") == bytes_of(by_one_process / "whole")


def test_a_recording_that_ends_every_process_is_listed_and_the_others_are_measured(archive, tmp_path, monkeypatch):
    monkeypatch.setattr("decussa.batch.workers.measure_one", die_at_one)
    made = measured(archive, tmp_path / "t.csv", workers=2)

    assert [place for place, _ in made.refused] == [str(recordings_of(archive)[2])]
    assert "the process ended" in str(made.refused[0][1])
    assert len(made.measured) == 5
    assert read_table(tmp_path / "t.csv")["recording"].is_monotonic_increasing


def children():
    """Return the ids of this process's workers: those that the server of processes started."""
    from multiprocessing.forkserver import _forkserver

    server = _forkserver._forkserver_pid
    text = subprocess.run(["ps", "-o", "pid=", "--ppid", str(server)], capture_output=True, text=True, check=True)
    return sorted(int(line) for line in text.stdout.split())


def test_a_run_that_is_killed_goes_on_where_it_was(by_one_process, tmp_path):
    script = "import sys; from decussa.command.cli import main; main(sys.argv[1:])"
    arguments = [
        "measure",
        by_one_process / "lab-a",
        "--out",
        tmp_path / "out",
        "--onset",
        "threshold",
        "--no-intervals",
    ]
    run = subprocess.Popen([sys.executable, "-c", script, *arguments], stdout=subprocess.DEVNULL)
    while run.poll() is None and not list((tmp_path / "out").rglob("[!.]*.parquet")):
        time.sleep(0.01)
    run.kill()
    run.wait()
    done = list((tmp_path / "out").rglob("[!.]*.parquet"))
    again = measured(by_one_process / "lab-a", tmp_path / "out")

    assert 1 <= len(done) <= len(again.unchanged) < 40
    assert bytes_of(tmp_path / "out") == bytes_of(by_one_process / "whole")


def test_errors_keep_what_they_say_on_the_way_from_a_worker():
    import pickle

    for error in (
        MachineError("no room", where="disk", expected="some", found="none", do="make room"),
        ProtocolError("p.toml", ("line 3: too high", "line 4: too low")),
        UsageError("wrong", where="--out"),
    ):
        back = pickle.loads(pickle.dumps(error))

        assert type(back) is type(error)
        assert (str(back), back.where, back.exit_code) == (str(error), error.where, error.exit_code)


def test_a_worker_of_another_version_is_not_asked(archive):
    source = find_sources([archive])[0]

    with pytest.raises(MachineError, match="another version"):
        one.measure_one(Job(version="0.0.0"), source)


@pytest.mark.parametrize(
    ("out", "how", "said"),
    [
        ("t.xyz", {}, "table format is not known"),
        ("out", {"workers": 0}, "no worker"),
        ("out", {"events": "e.tsv"}, "belongs to one recording"),
    ],
)
def test_what_cannot_be_meant_is_refused_before_anything_is_written(archive, tmp_path, out, how, said):
    with pytest.raises(UsageError, match=said):
        measured(archive, tmp_path / out, **how)

    assert not (tmp_path / out).exists()


def test_a_window_that_fits_no_recording_is_said_also_of_what_is_not_measured_again(archive, tmp_path):
    asked = replace(QUICK, windows={"FDI": (12.0, 48.0), "FID": (10.0, 50.0)})
    for _ in range(2):
        notes = measure_archive(archive, tmp_path / "out", settings=asked).notes
        assert [note for note in notes if "window" in note] == [
            "the window asked for 'FID' was not used: no channel and no muscle has this name"
        ]
