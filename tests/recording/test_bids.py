"""Files beside a recording in a BIDS data set: which apply, and what they change."""

import json

import pytest

from decussa.model.errors import RecordingError
from decussa.recording.read import find_recordings, read
from tests.recording.files import noise, write_edf

CHANNELS = "name\ttype\tunits\ttarget_muscle\tstatus\n"


@pytest.fixture
def root(tmp_path):
    folder = tmp_path / "study" / "sub-07" / "ses-1" / "emg"
    folder.mkdir(parents=True)
    (tmp_path / "study" / "dataset_description.json").write_text('{"Name": "invented", "BIDSVersion": "1.11.1"}')
    write_edf(folder / "sub-07_ses-1_task-stim_run-2_emg.edf", {"A": noise(20_000), "B": noise(20_000, seed=1)})
    return tmp_path / "study"


def place(root, where, text):
    path = root / where
    path.write_text(text if isinstance(text, str) else json.dumps(text))
    return path


def test_labels_come_from_the_name_and_the_name_counts_from_the_root(root):
    table = CHANNELS + "A\tEMG\tuV\tFDI\tgood\nB\tMISC\tuV\tn/a\tgood\n"
    place(root, "sub-07/ses-1/emg/sub-07_ses-1_task-stim_run-2_channels.tsv", table)

    recording = read(root)

    assert recording.name == "sub-07/ses-1/emg/sub-07_ses-1_task-stim_run-2_emg.edf"
    assert (recording.participant, recording.session, recording.task, recording.run) == ("07", "1", "stim", "2")


def test_channels_table_tells_type_unit_muscle_side_and_status(root):
    table = CHANNELS + "A\tEMG\tmV\tleft first dorsal interosseous\tgood\nB\tEMG\tuV\tFCR\tbad\n"
    place(root, "sub-07/ses-1/emg/sub-07_ses-1_task-stim_run-2_channels.tsv", table)

    recording = read(root)

    first, second = recording.channels
    assert (first.kind, first.unit, first.muscle.key, first.side, first.high_uv) == ("emg", "mV", "FDI", "left", 1e6)
    assert second.kind == "other"
    assert recording.notes == (
        "channel B is marked bad in channels.tsv and left out",
        "units in header and channels.tsv differ, channels.tsv is believed: A",
    )


def test_rows_of_the_channels_table_are_joined_by_name_where_names_agree(root):
    table = CHANNELS + "B\tMISC\tuV\tn/a\tgood\nA\tEMG\tuV\tFDI\tgood\n"
    place(root, "sub-07/ses-1/emg/sub-07_ses-1_task-stim_run-2_channels.tsv", table)

    assert [(channel.name, channel.kind) for channel in read(root).channels] == [("A", "emg"), ("B", "other")]


def test_a_channels_table_of_another_length_is_refused(root):
    table = CHANNELS + "A\tEMG\tuV\tFDI\tgood\n"
    place(root, "sub-07/ses-1/emg/sub-07_ses-1_task-stim_run-2_channels.tsv", table)

    with pytest.raises(RecordingError, match="expected 2 rows"):
        read(root)


def test_an_unknown_unit_in_the_channels_table_is_refused(root):
    table = CHANNELS + "A\tEMG\tfurlong\tFDI\tgood\nB\tEMG\tuV\tFCR\tgood\n"
    place(root, "sub-07/ses-1/emg/sub-07_ses-1_task-stim_run-2_channels.tsv", table)

    with pytest.raises(RecordingError, match="channel A: unit of the signal is not known"):
        read(root)


def test_the_nearest_events_that_apply_are_read_and_others_are_not(root):
    events = "onset\tduration\tstim_type\n{}\t0\tsingle\n"
    place(root, "task-stim_events.tsv", events.format(1))
    assert [event.onset_s for event in read(root).events] == [1]

    place(root, "sub-07/sub-07_task-stim_events.tsv", events.format(2))
    assert [event.onset_s for event in read(root).events] == [2]

    place(root, "sub-07/ses-1/emg/sub-07_ses-1_task-stim_run-2_events.tsv", events.format(3))
    place(root, "sub-07/ses-1/emg/sub-07_ses-1_task-stim_run-1_events.tsv", events.format(4))
    place(root, "sub-07/ses-1/emg/sub-07_ses-1_task-other_run-2_events.tsv", events.format(5))
    assert [event.onset_s for event in read(root).events] == [3]


def test_fields_of_nearer_sidecars_win_and_the_rest_is_inherited(root):
    place(root, "task-stim_emg.json", {"EMGReference": "bipolar", "PowerLineFrequency": 60})
    place(
        root, "sub-07/ses-1/emg/sub-07_ses-1_task-stim_run-2_emg.json", {"PowerLineFrequency": 50, "EMGGround": "n/a"}
    )

    facts = read(root).facts

    assert (facts["Reference"], facts["Power line (Hz)"]) == ("bipolar", "50")
    assert "Ground" not in facts


def test_conditions_and_person_are_told_for_the_report(root):
    place(root, "task-stim_events.json", {"condition": {"Levels": {"SICI": "pair at 2.5 ms"}}})
    place(root, "participants.tsv", "participant_id\tage\tsex\nsub-06\t50\tM\nsub-07\t31\tn/a\n")

    facts = read(root).facts

    assert facts["Condition SICI"] == "pair at 2.5 ms"
    assert facts["Age"] == "31"
    assert "Sex" not in facts


def test_a_broken_sidecar_is_refused_by_name(root):
    path = place(root, "sub-07/ses-1/emg/sub-07_ses-1_task-stim_run-2_emg.json", "{")

    with pytest.raises(RecordingError, match="not valid JSON") as refused:
        read(root)

    assert str(refused.value).startswith(str(path))


def test_recordings_are_found_from_root_subject_folder_file_and_glob(root):
    file = root / "sub-07/ses-1/emg/sub-07_ses-1_task-stim_run-2_emg.edf"
    apart = root / "derivatives" / "sub-07_emg.edf"
    apart.parent.mkdir()
    apart.write_bytes(b"")

    for path in (
        root,
        root / "sub-07",
        file,
        str(root / "*" / "*" / "emg" / "*_emg.edf"),
        str(root / "**" / "*run-2_emg.edf"),
    ):
        assert find_recordings([path]) == (file,)
    assert find_recordings([root, file]) == (file,)
