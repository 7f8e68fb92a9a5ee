"""Recordings that others made, where they are at hand: the official BIDS examples, voluntary EMG, other labs' files."""

import csv
import io

import numpy as np
import pytest

from decussa.batch.measure import measure_recording
from decussa.batch.proof import prove_delivery
from decussa.batch.settings import MeasureSettings
from decussa.model.errors import RecordingError
from decussa.recording.from_artifacts import find_artifact_pulses
from decussa.recording.mapping_draft import draft_mapping
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


def told_by_lab_b(lab):
    """The lab's own sheet, read without the product: onset, interval and label of each row."""
    with (lab / "s12_Reihenfolge.csv").open(encoding="utf-8-sig") as file:
        rows = list(csv.DictReader(file, delimiter=";"))
    isi = [float(row["ISI [ms]"]) if row["ISI [ms]"] else np.nan for row in rows]
    return [float(row["Zeit"].replace(",", ".")) for row in rows], isi, [row["Art"] for row in rows]


def test_a_drafted_mapping_makes_another_labs_sheet_and_trigger_a_trial_table(shared_data, tmp_path):
    lab = shared_data / "foreign" / "lab-b"
    sheet, mapping = lab / "s12_Reihenfolge.csv", tmp_path / "draft.toml"
    onsets_s, isi_ms, labels = told_by_lab_b(lab)
    # The draft is used as it was written: no edit at all.
    mapping.write_text(draft_mapping(lab / "s12.bdf", sheet), encoding="utf-8")

    recording = read(lab / "s12.bdf", events=sheet, mapping=mapping)
    trials = measure_recording(recording, MeasureSettings(onset=None, intervals=False))

    assert not any("doubt" in note for note in recording.notes)
    assert [event.label for event in recording.events] == labels
    np.testing.assert_allclose([event.onset_s for event in recording.events], onsets_s, atol=6e-4)
    assert trials.groupby("side")["sweep"].nunique().to_dict() == {"left": 36, "right": 36}
    assert trials.groupby("condition")["sweep"].nunique().to_dict() == {"cond3": 12, "cond15": 12, "test": 12}
    # ISI is right within 0.2 ms, or one sample where that is more; here both are 0.2 ms.
    asked = trials["sweep"].map(dict(enumerate(isi_ms, start=1)))
    np.testing.assert_allclose(trials["isi_ms"], asked)
    np.testing.assert_allclose(trials["isi_measured_ms"], asked, atol=0.2)
    proof = prove_delivery(recording, trials)
    assert (proof.with_artifact, proof.missing, proof.extra, proof.without_stimulus_s) == (36, (), (), ())
    assert 0 <= proof.lag.median_ms <= 0.2


def test_heartbeats_of_another_lab_make_trials_doubtful_with_the_reason(shared_data, tmp_path):
    lab = shared_data / "foreign" / "lab-b"
    mapping = tmp_path / "draft.toml"
    mapping.write_text(draft_mapping(lab / "s12.bdf", lab / "s12_Reihenfolge.csv"), encoding="utf-8")
    recording = read(lab / "s12.bdf", events=lab / "s12_Reihenfolge.csv", mapping=mapping)
    trials = measure_recording(recording, MeasureSettings(onset=None, intervals=False))

    # The beats, found here another way: peaks of a trace of 50 Hz away from pulses, and a straight line through their count.
    onsets_s = np.array([event.onset_s for event in recording.events])
    trace = recording.signals.read_channel(0)[: 270 * 5000].reshape(-1, 100).mean(axis=1)
    peaks_s = (np.flatnonzero((trace[1:-1] > 90) & (trace[1:-1] > trace[:-2]) & (trace[1:-1] >= trace[2:])) + 1.5) / 50
    peaks_s = peaks_s[[np.abs(onsets_s - peak_s).min() > 0.15 for peak_s in peaks_s]]
    pace_s = np.median(np.diff(peaks_s))
    slope_s, first_s = np.polyfit(np.append(0, np.cumsum(np.rint(np.diff(peaks_s) / pace_s))), peaks_s, 1)
    beats_s = first_s + slope_s * np.arange(-1, 400)
    in_window = [np.any((beats_s > onset_s + 0.010) & (beats_s < onset_s + 0.050)) for onset_s in onsets_s]
    assert any(in_window)
    said = trials[trials["heartbeat_ms"].notna()]
    assert (said["verdict"] != "accept").all()
    assert said["reason"].str.contains("heartbeat in the").all()
    # A beat in the baseline lifts its level well above that of the others: all such trials are said to hold one.
    usual = trials.groupby("side")["background_rms_uv"].transform("median")
    lifted = trials[trials["background_rms_uv"] > 2 * usual]
    assert len(lifted) >= 8
    assert lifted["heartbeat_ms"].notna().all()
    hit = trials["sweep"].isin(np.flatnonzero(in_window) + 1)
    assert trials.loc[hit, "reason"].str.contains("heartbeat in the window").all()


def test_pulses_of_a_lab_without_any_marks_are_found_by_their_artifacts(shared_data):
    recording = read(shared_data / "foreign" / "lab-d" / "night_shift_export.edf")
    trials = measure_recording(recording, MeasureSettings(onset=None, intervals=False))

    assert len(recording.events) == 30
    assert set(trials["pulse_from"]) == {"artifact"}
    assert any("30 of 30 artifacts reach the end of the converter's range" in note for note in recording.notes)
    # The artifact's first sample follows at most two quiet ones: found another way, as the first that leaves the baseline.
    trace = recording.signals.read_channel(0)
    for event in recording.events:
        at = round(event.onset_s * 5000)
        assert abs(trace[at]) > 1000
        assert np.abs(trace[at - 25 : at]).max() < 100
    # Where the window holds no more than noise, no response is reported; noise of 4 uV RMS reaches about 25 uV.
    silent = trials["amplitude_uv"] < 8 * trials["background_rms_uv"]
    assert silent.sum() == 6
    assert (trials.loc[silent, "response_p"] >= 0.5).sum() <= 1
    assert (trials.loc[~silent, "response_p"] >= 0.5).all()


def test_artifacts_of_a_lab_that_wrote_annotations_are_where_these_say(shared_data):
    recording = read(shared_data / "foreign" / "lab-a" / "A07_rest.edf")
    truth = list(csv.DictReader(io.StringIO((shared_data / "foreign" / "lab-a" / "truth.csv").read_text())))

    found = find_artifact_pulses(recording, asked=False)

    assert [len(group) for group in found.groups] == [1] * 60
    late_s = np.array([group[0] for group in found.groups]) - [float(row["onset_s"]) for row in truth]
    # A pulse falls between two samples, and the first after it may hardly differ from the baseline: one sample late, rarely two.
    assert late_s.min() >= 0
    assert late_s.max() <= 2 / 2000
    assert np.mean(late_s <= 1 / 2000) >= 0.95
