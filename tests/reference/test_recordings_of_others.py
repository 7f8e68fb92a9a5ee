"""Recordings that others made, where they are at hand: the official BIDS examples, voluntary EMG, another lab's file."""

import csv
import io

import numpy as np
import pytest

from decussa.model.errors import RecordingError
from decussa.recording.read import find_recordings, read


@pytest.mark.parametrize(
    ("name", "channels", "rate_hz"),
    [
        ("emg_IndependentMod", 6, 2000),
        ("emg_MultiBodyParts", 2, 2000),
        ("emg_Multimodal", 10, 256),
        ("emg_TwoWristbands", 32, 2000),
    ],
)
def test_the_official_bids_examples_are_read_and_hold_no_stimulus(shared_data, name, channels, rate_hz):
    # Source: bids-standard/bids-examples, data sets of datatype emg; counts and rates from their sidecars.
    (path,) = find_recordings([shared_data / name])

    recording = read(path)

    assert len(recording.emg_channels) == channels
    assert {channel.rate_hz for channel in recording.channels} == {rate_hz}
    assert recording.participant == "01"
    assert recording.events == ()


@pytest.mark.parametrize(("name", "seconds"), [("emg.txt", 100.0), ("emg_1.txt", 63.88)])
def test_voluntary_emg_is_read_as_counts_without_a_stimulus(shared_data, name, seconds):
    recording = read(shared_data / "voluntary-emg" / name)

    assert [(channel.kind, channel.unit, channel.rate_hz) for channel in recording.channels] == [
        ("emg", "counts", 1000)
    ]
    assert recording.duration_s == seconds
    assert recording.events == ()


def test_all_stimuli_of_another_lab_are_found_in_its_annotations(shared_data):
    recording = read(shared_data / "foreign" / "lab-a" / "A07_rest.edf")
    truth = list(csv.DictReader(io.StringIO((shared_data / "foreign" / "lab-a" / "truth.csv").read_text())))

    assert len(recording.events) == len(truth) == 60
    assert {event.pulse_from for event in recording.events} == {"annotation"}
    assert [event.stimulus.intensity_mso for event in recording.events] == [
        float(row["intensity_mso"]) for row in truth
    ]
    late_s = np.array([event.onset_s for event in recording.events]) - [float(row["onset_s"]) for row in truth]
    assert np.abs(late_s).max() < 1e-3


def test_another_labs_units_and_muscle_are_understood(shared_data):
    recording = read(shared_data / "foreign" / "lab-a" / "A07_rest.edf")
    (channel,) = recording.channels

    sizes_uv = np.ptp(recording.signals.cut(0, recording.events, -15, 45).samples_uv, axis=1)

    assert (channel.unit, channel.muscle.key, channel.side) == ("mV", "FCR", "left")
    # Millivolt taken for microvolt would be off by 1000.
    assert 10 < np.median(sizes_uv) < 5000


def test_a_trigger_channel_of_another_lab_is_found(shared_data):
    recording = read(shared_data / "foreign" / "lab-b" / "s12.bdf")

    assert [channel.kind for channel in recording.channels] == ["emg", "emg", "trigger"]
    assert {event.pulse_from for event in recording.events} == {"trigger"}
    with (shared_data / "foreign" / "lab-b" / "s12_Reihenfolge.csv").open(encoding="utf-8-sig") as file:
        told = [float(row["Zeit"].replace(",", ".")) for row in csv.DictReader(file, delimiter=";")]
    assert len(recording.events) == len(told)
    np.testing.assert_allclose([event.onset_s for event in recording.events], told, atol=2e-3)


def test_a_sheet_in_another_labs_words_is_refused_until_it_is_mapped(shared_data):
    lab = shared_data / "foreign" / "lab-b"

    with pytest.raises(RecordingError, match="expected the columns onset and stim_type"):
        read(lab / "s12.bdf", events=lab / "s12_Reihenfolge.csv")
