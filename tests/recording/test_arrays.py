"""Files of arrays: what is told apart by evidence, what is assumed and said, what is refused with what to say in a mapping."""

import numpy as np
import pytest
from scipy.io import savemat

from decussa.model.errors import RecordingError
from decussa.recording.array_axes import Evidence, decide_axes
from decussa.recording.read import find_recordings, read
from tests.recording.foreign import make_session, write_mat5, write_mat73, write_npz

SESSION = make_session(2, n_stimuli=3)
SWEEPS = SESSION.sweeps_uv()  # (channel, sweep, sample)


def archive(path, **arrays):
    np.savez(path, **arrays)
    return path


def cut_of(recording, channel=0):
    return recording.signals.cut(channel, recording.events, 50, 50).samples_uv


def wanted(channel=0, rate_hz=2000, before_s=0.25):
    onset = round(before_s * rate_hz)
    return SWEEPS[channel][:, onset - 100 : onset + 101].astype(np.float32)


@pytest.mark.parametrize("order", [(0, 1, 2), (0, 2, 1), (1, 0, 2), (1, 2, 0), (2, 0, 1), (2, 1, 0)])
def test_every_order_of_axes_is_told_apart_by_labels_and_columns(tmp_path, order):
    path = archive(
        tmp_path / "a.npz", emg=SWEEPS.transpose(order), fs=2000, pre_ms=250.0, unit="uV", labels=np.array(SESSION.labels),
        intensity_mso=SESSION.column("mso"),
    )  # fmt: skip

    recording = read(path)

    for channel in (0, 1):
        np.testing.assert_array_equal(cut_of(recording, channel), wanted(channel))
    assert [event.stimulus.intensity_mso for event in recording.events] == SESSION.column("mso").tolist()


def test_as_many_sweeps_as_channels_cannot_be_told_apart_and_a_mapping_says_which(tmp_path):
    two = SWEEPS[:, :2]
    path = archive(tmp_path / "a.npz", emg=two, fs=2000, pre_ms=250.0, unit="uV", labels=np.array(SESSION.labels))
    mapping = tmp_path / "a.toml"
    mapping.write_text('[signals]\naxes = ["channel", "sweep", "sample"]\n')

    with pytest.raises(RecordingError, match=r"cannot be told apart.*it may be.*Say in a mapping"):
        read(path)

    np.testing.assert_array_equal(cut_of(read(path, mapping=mapping), 1), wanted(1)[:2])


def test_nothing_but_a_shape_is_no_evidence():
    known = Evidence(
        rate_hz=2000, n_labels=0, columns=frozenset(), n_times=0, onset_s=0.25, onsets_s=None, axes=(), has_sweeps=False
    )

    assert decide_axes("a", "x", (40, 1500), known) == ("sweep", "sample")  # 40 channels would have names
    assert decide_axes("a", "x", (1500, 40), known) == ("sample", "sweep")
    with pytest.raises(RecordingError, match="it may be sweep x sample or channel x sample"):
        decide_axes("a", "x", (8, 1500), known)
    with pytest.raises(RecordingError, match="fits nothing that is known"):
        decide_axes("a", "x", (8, 20), known)


def test_a_time_vector_tells_rate_and_onset_and_the_guess_of_its_unit_is_said(tmp_path):
    time = np.arange(1500) / 2000 - 0.25
    recording = read(archive(tmp_path / "a.npz", emg=SWEEPS[0], t=time, unit="uV", channels=np.array(["FDI"])))

    assert recording.channels[0].rate_hz == 2000
    assert "t is taken to be in seconds" in recording.notes
    assert "the test pulse is taken to lie at time 0" in recording.notes
    np.testing.assert_array_equal(cut_of(recording), wanted())


@pytest.mark.parametrize(
    ("change", "what"),
    [
        ({"fs": None}, "sampling rate is not known.*Give rate_hz in a mapping"),
        ({"unit": None}, "unit of the signal is not known.*found no unit"),
        ({"unit": "furlong"}, "unit of the signal is not known; expected V, mV, uV or nV; found 'furlong'"),
        ({"pre_ms": None}, "axes of array emg cannot be told apart|place of the test pulse is not known"),
        ({"pre_ms": None, "pre": 250}, "pre has no unit"),
        ({"pre_ms": 900.0}, "fits nothing that is known"),
        ({"fs": 0}, "sampling rate cannot be known"),
        ({"emg": np.zeros_like(SWEEPS)}, "channel FDI_R is constant"),
        ({"emg": np.full_like(SWEEPS, np.nan)}, "channel FDI_R holds no samples"),
        ({"mep": SWEEPS + 1}, "several arrays may be the signal.*emg 2x3x1500, mep 2x3x1500.*variable"),
        ({"time_ms": np.arange(1500) * 0.25 - 250}, "sampling rate is told twice, differently"),
        ({"mso": np.array([1.0, 2, 3]), "intensity_mso": np.array([4.0, 5, 6])}, "two variables may be intensity_mso"),
        ({"isi": np.array([0.003, 0.003, 0.01])}, "isi cannot be in ms"),
        ({"stim_type": np.array(["single", "paired", "single"])}, "a paired stimulus needs an interval"),
        ({"stim_type": np.array(["single", "odd", "single"])}, "stim_type is not known.*'odd'|stimulus 2"),
        ({"intensity_mso": np.array([50.0, 150, 50])}, "a.npz, stimulus 2: intensity_mso is out of range"),
        ({"labels": np.array(["FDI_R", "ADM_R", "APB_R", "BB_R"])}, "fits nothing.*4 channels named"),
    ],
)  # fmt: skip
def test_what_cannot_be_believed_is_refused_in_one_sentence(tmp_path, change, what):
    content = {"emg": SWEEPS, "fs": 2000, "pre_ms": 250.0, "unit": "uV", "labels": np.array(SESSION.labels)} | change
    path = archive(tmp_path / "a.npz", **{name: value for name, value in content.items() if value is not None})

    with pytest.raises(RecordingError, match=what) as refused:
        read(path)
    assert "\n" not in str(refused.value)


def test_a_continuous_signal_with_its_trigger_beside_it_is_read(tmp_path):
    trigger = np.zeros(SESSION.samples_uv.shape[1])
    for stim in SESSION.stimuli:
        trigger[round(stim.onset_s * 2000) :][:20] = 5
    path = tmp_path / "a.mat"
    savemat(path, {"emg": SESSION.samples_uv[0] / 1e3, "ttl": trigger, "fs": 2000, "emg_unit": "mV", "muscle": "FDI"})

    recording = read(path)

    assert [(channel.name, channel.kind) for channel in recording.channels] == [("FDI", "emg"), ("ttl", "trigger")]
    assert {event.pulse_from for event in recording.events} == {"trigger"}
    np.testing.assert_allclose([event.onset_s for event in recording.events], SESSION.column("onset_s"))


def test_onsets_that_are_sample_numbers_count_from_one_in_mat_files_and_from_zero_elsewhere(tmp_path):
    numbers = np.round(SESSION.column("onset_s") * 2000)
    content = {"data": SESSION.samples_uv.T, "fs": 2000.0, "unit": "uV", "labels": np.array(SESSION.labels)}
    savemat(
        tmp_path / "a.mat",
        content | {"labels": np.array([list(SESSION.labels)], dtype=object), "pulse_samples": numbers + 1},
    )
    archive(tmp_path / "a.npz", **content, pulse_samples=numbers)

    for name, first in (("a.mat", 1), ("a.npz", 0)):
        recording = read(tmp_path / name)
        assert f"pulse_samples is taken as sample numbers that count from {first}" in recording.notes
        np.testing.assert_allclose([event.onset_s for event in recording.events], SESSION.column("onset_s"))


def test_an_array_of_structs_or_a_variable_for_each_trial_is_one_recording(tmp_path):
    trials = np.zeros((1, 3), dtype=[("emg", object), ("mso", object)])
    for number in range(3):
        trials[0, number] = (SWEEPS[0, number], float(50 + number))
    savemat(tmp_path / "structs.mat", {"trial": trials, "fs": 2000, "pre_ms": 250.0, "unit": "uV", "muscle": "FDI"})
    single = {f"sweep{number + 1:02}": SWEEPS[0, number] for number in range(3)}
    archive(tmp_path / "named.npz", **single, fs=2000, pre_ms=250.0, unit="uV", muscle="FDI")

    structs, named = read(tmp_path / "structs.mat"), read(tmp_path / "named.npz")

    np.testing.assert_array_equal(cut_of(structs), wanted())
    np.testing.assert_array_equal(cut_of(named), wanted())
    assert [event.stimulus.intensity_mso for event in structs.events] == [50, 51, 52]


def test_a_file_with_one_trial_is_one_sweep(tmp_path):
    path = archive(
        tmp_path / "a.npz", emg=SWEEPS[:, 0], fs=2000, pre_ms=250.0, unit="uV", labels=np.array(SESSION.labels)
    )

    recording = read(path)

    assert len(recording.events) == 1
    np.testing.assert_array_equal(cut_of(recording, 1), wanted(1)[:1])


def test_a_file_for_each_trial_keeps_the_number_and_the_person_of_its_name(tmp_path):
    for number in (2, 10):
        archive(
            tmp_path / f"P3_trial_{number:02}.npz", emg=SWEEPS[0, 0], fs=2000, pre_ms=250.0, unit="uV", muscle="FDI"
        )

    first, second = (read(path) for path in find_recordings([tmp_path]))

    assert [(each.participant, each.events[0].sweep) for each in (first, second)] == [("P3", 2), ("P3", 10)]
    np.testing.assert_array_equal(cut_of(second), wanted()[:1])


def test_one_array_alone_needs_a_mapping(tmp_path):
    np.save(tmp_path / "a.npy", SESSION.samples_uv.astype(np.float32))
    (tmp_path / "a.toml").write_text(
        '[signals]\nunit = "uV"\nrate_hz = 2000\naxes = ["channel", "sample"]\n'
        '[[channels]]\nname = "channel 1"\nkind = "emg"\nmuscle = "FDI"\n[[channels]]\nname = "channel 2"\nkind = "other"\n'
    )

    with pytest.raises(RecordingError, match="sampling rate is not known"):
        read(tmp_path / "a.npy")
    recording = read(tmp_path / "a.npy", mapping=tmp_path / "a.toml")

    assert [(channel.kind, channel.muscle.key) for channel in recording.channels] == [("emg", "FDI"), ("other", "")]
    np.testing.assert_array_equal(recording.signals.lines[0].block(slice(0, 1), slice(None))[0], SESSION.samples_uv[0])


def test_who_and_when_are_taken_from_the_file(tmp_path):
    path = archive(
        tmp_path / "a.npz", emg=SWEEPS[0], fs=2000, pre_ms=250.0, unit="uV", muscle="FDI", subject="sub-07", session="2",
        participant_note="x",
    )  # fmt: skip

    recording = read(path)

    assert (recording.participant, recording.session) == ("07", "2")


@pytest.mark.parametrize("write", [lambda path, session: write_mat5(path, session, cut=True), write_mat73])
def test_both_kinds_of_mat_files_give_text_in_cells_as_labels(tmp_path, write):
    recording = read(write(tmp_path / "a.mat", SESSION))

    assert [(channel.muscle.key, channel.side) for channel in recording.channels] == [
        ("FDI", "right"),
        ("ADM", "right"),
    ]


def test_sweeps_of_another_lab_are_understood_without_a_mapping(shared_data):
    recording = read(shared_data / "foreign" / "lab-c" / "P3_active.mat")

    assert len(recording.events) == 40
    assert [(channel.muscle.key, channel.unit) for channel in recording.channels] == [("FDI", "V"), ("ADM", "V")]
    # Volts taken for microvolt would be off by a million.
    assert 500 < np.median(np.ptp(cut_of(recording), axis=1)) < 10_000


def test_a_recording_can_be_sent_to_a_worker(tmp_path):
    import pickle

    recording = read(write_mat73(tmp_path / "a.mat", SESSION))
    again = pickle.loads(pickle.dumps(recording))

    np.testing.assert_array_equal(cut_of(again), cut_of(recording))


def test_the_npz_of_the_session_is_read(tmp_path):
    np.testing.assert_array_equal(cut_of(read(write_npz(tmp_path / "a.npz", SESSION))), wanted())


def test_a_mapping_says_what_a_labs_labels_and_names_mean(tmp_path):
    path = archive(
        tmp_path / "a.npz", wobble=SWEEPS, clock=2000, labels=np.array(SESSION.labels), what=np.array(["A", "B", "pause"]),
        strength=np.array([50.0, 60, 0]),
    )  # fmt: skip
    (tmp_path / "a.toml").write_text(
        '[signals]\nvariable = "wobble"\nrate_hz = 2000\nunit = "uV"\nonset_ms = 250\n'
        '[columns]\nlabel = "what"\nintensity_mso = "strength"\n'
        '[[labels]]\nlabel = "A"\nstim_type = "single"\n'
        '[[labels]]\nlabel = "B"\nstim_type = "paired"\nisi_ms = 3\ncondition = "SICI"\n'
        '[[labels]]\nlabel = "pause"\nstim_type = "none"\n'
    )

    events = read(path, mapping=tmp_path / "a.toml").events

    assert [(event.sweep, event.stimulus.stim_type, event.stimulus.intensity_mso) for event in events] == [
        (1, "single", 50), (2, "paired", 60),
    ]  # fmt: skip
    assert (events[1].stimulus.isi_ms, events[1].condition) == (3, "SICI")
