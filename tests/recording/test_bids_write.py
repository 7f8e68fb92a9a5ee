"""BIDS data sets: there and back, and nothing half written."""

import math
from datetime import datetime

import numpy as np
import pytest

from decussa.model.errors import MachineError, UsageError
from decussa.model.muscle import muscle_and_side
from decussa.model.recording import Channel, StimulusEvent
from decussa.model.stimulus import Stimulus
from decussa.recording.bids_run import RunToWrite
from decussa.recording.bids_write import write_bids_dataset
from decussa.recording.read import find_recordings, read
from tests.recording.files import noise

RATE_HZ = 2000
README = "# Invented rowers\n\n" + "Three invented people, measured by nobody, for tests of the writer. " * 6


def channel(name, **kind):
    muscle, side = muscle_and_side(name)
    return Channel(**{"name": name, "kind": "emg", "rate_hz": RATE_HZ, "muscle": muscle, "side": side} | kind)


def event(sweep, stimulus, **said):
    said = {
        "condition": "test",
        "block": "1",
        "timepoint": "before",
        "contraction_pct": 0.0,
        "stim_side": "left",
    } | said
    return StimulusEvent(sweep=sweep, onset_s=sweep * 2 + 0.1234567, stimulus=stimulus, pulse_from="events", **said)


def run(session="1", **said):
    samples = np.float32([noise(20_000), noise(20_000, seed=1), np.zeros(20_000)])
    return RunToWrite(
        **{
            "participant": "01",
            "session": session,
            "task": "stim",
            "run": "1",
            "samples_uv": samples,
            "rate_hz": RATE_HZ,
            "channels": [
                channel("FDI_R", low_uv=-3000.0, high_uv=3000.0),
                channel("ES_L"),
                channel("TTL", kind="trigger", unit="V"),
            ],
            "events": [
                event(1, Stimulus.single(52), muscle="FDI"),
                event(2, Stimulus.paired(40.5, 80, 2.5), condition="SICI"),
                event(3, Stimulus.nerve(12.5), contraction_pct=20.0, stim_side=""),
                event(4, Stimulus(stim_type="single"), contraction_pct=math.nan),
            ],
            "start": datetime(2026, 1, 2, 10, 0, 0),  # noqa: DTZ001  the format knows no time zone
            "task_description": "Single and paired pulses at rest",
            "instructions": "Keep the hand relaxed",
            "placement": "belly and tendon",
            "hardware_filters": {"Bandpass": {"low (Hz)": 10, "high (Hz)": 2000}},
            "conditions": {"test": "test pulse alone", "SICI": "pair at 2.5 ms"},
        }
        | said
    )


def write(root, runs, **said):
    people = [{"participant_id": "01", "age": 31, "sex": "F", "handedness": "R", "species": "homo sapiens"}]
    return write_bids_dataset(
        root, **{"name": "Invented", "readme": README, "participants": people, "runs": runs} | said
    )


def test_what_is_written_is_read_back(tmp_path):
    written = write(tmp_path / "study", (run(session) for session in ("1", "2")))

    assert find_recordings([tmp_path / "study"]) == written
    recording, expected = read(written[0]), run()
    assert [repr(found) for found in recording.events] == [repr(wanted) for wanted in expected.events]
    assert [item.name for item in recording.channels] == ["FDI_R", "ES_L", "TTL"]
    assert [item.muscle.key for item in recording.channels[:2]] == ["FDI", "LES"]
    assert [item.side for item in recording.channels[:2]] == ["right", "left"]
    assert (recording.channels[0].low_uv, recording.channels[0].high_uv) == (-3000, 3000)
    assert (recording.participant, recording.session, recording.start) == ("01", "1", "2026-01-02T10:00:00.000")
    assert recording.facts["Electrode placement"] == "belly and tendon"
    assert recording.facts["Condition SICI"] == "pair at 2.5 ms"
    batch = recording.signals.cut(0, recording.events[:1], 10, 10)
    middle = round(expected.events[0].onset_s * RATE_HZ)
    np.testing.assert_allclose(
        batch.samples_uv[0], expected.samples_uv[0, middle - 20 : middle + 21], atol=6000 / 2**24
    )


def test_the_stimuli_stand_in_the_file_itself_too(tmp_path):
    (written,) = write(tmp_path / "study", [run()])
    alone = written.rename(tmp_path / "alone.bdf")

    assert [repr(found.stimulus) for found in read(alone).events] == [repr(wanted.stimulus) for wanted in run().events]
    assert {found.pulse_from for found in read(alone).events} == {"annotation"}


@pytest.mark.parametrize(
    ("age", "told"),
    [(88, "88"), (88.9, "88.9"), (89, "89+"), (97.5, "89+"), ("97", "89+"), ("89+", "89+"), ("n/a", "n/a")],
)
def test_ages_from_89_are_not_told(tmp_path, age, told):
    """Brain Imaging Data Structure 1.11, participants.tsv: ages of 89 and above are given as 89+."""
    (written,) = write(tmp_path / "study", [run()], participants=[{"participant_id": "01", "age": age}])

    assert (tmp_path / "study" / "participants.tsv").read_text().split() == ["participant_id", "age", "sub-01", told]
    assert read(written).facts.get("Age", "n/a") == told


def test_a_folder_that_holds_something_is_left_alone(tmp_path):
    (tmp_path / "notes.txt").write_text("mine")

    with pytest.raises(UsageError, match="folder is not empty"):
        write(tmp_path, [run()])

    assert [path.name for path in tmp_path.iterdir()] == ["notes.txt"]


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ({"participant": "no 1"}, "Participant cannot be a label"),
        (
            {"channels": [channel("FDI", low_uv=-10.0, high_uv=10.0), channel("ES"), channel("APB")]},
            "exceeds its range",
        ),
        ({"channels": [channel("FDI", low_uv=-3000.12345, high_uv=3000.0), channel("ES"), channel("APB")]}, "header"),
        ({"samples_uv": np.full((3, 20_000), np.nan, np.float32)}, "not finite"),
        ({"channels": [channel("FDI")]}, "Channels do not fit"),
    ],
)
def test_a_run_that_does_not_fit_the_format_leaves_nothing(tmp_path, said, words):
    with pytest.raises(UsageError, match=words):
        write(tmp_path / "study", [run(), run("2", **said)])

    assert list(tmp_path.iterdir()) == []


def test_a_column_of_participants_nobody_described_is_refused(tmp_path):
    with pytest.raises(UsageError, match=r"Column of participants is not known; .* found shoe"):
        write(tmp_path / "study", [run()], participants=[{"participant_id": "01", "shoe": 43}])


def test_a_full_disk_leaves_nothing(tmp_path):
    from tests.recording.test_tables import no_more_room_than

    with no_more_room_than(20_000), pytest.raises(MachineError):
        write(tmp_path / "study", [run()])

    assert list(tmp_path.iterdir()) == []
