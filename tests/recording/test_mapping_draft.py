"""A draft says what was found, is read back as it stands, and leaves to the person what cannot be told."""

import re

import numpy as np
import pytest

from decussa.model.errors import RecordingError
from decussa.recording.mapping_draft import draft_mapping
from decussa.recording.mapping_file import read_mapping
from decussa.recording.read import read
from tests.recording.files import RATE_HZ, noise, write_edf
from tests.recording.labs import SAMPLE_S, make_lab


def kept(folder, text, name="draft.toml"):
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def marks(text):
    """Questions and doubts of a draft, by the field they stand at."""
    lines = [line for line in text.splitlines() if not line.startswith("#")]
    fields = [line.split(" ", maxsplit=1)[0] for line in lines]
    return (
        [field for field, line in zip(fields, lines, strict=True) if '"?"' in line],
        [field for field, line in zip(fields, lines, strict=True) if "# doubt:" in line],
    )


@pytest.mark.parametrize("trigger", ["test", "first", "both", "none"])
def test_a_plain_case_needs_no_edit(tmp_path, trigger):
    lab = make_lab(tmp_path, trigger=trigger)
    sheet = lab.sheet()

    text = draft_mapping(lab.recording, sheet)
    recording = read(lab.recording, events=sheet, mapping=kept(tmp_path, text))

    assert marks(text) == ([], [])
    np.testing.assert_allclose(
        [event.onset_s for event in recording.events], lab.onsets_s, atol=1e-3 if trigger == "none" else SAMPLE_S
    )
    assert [event.label for event in recording.events] == lab.labels
    assert [event.stimulus.stim_type for event in recording.events] == [
        "single" if label == "test" else "paired" for label in lab.labels
    ]
    assert {channel.muscle.key for channel in recording.channels if channel.kind == "emg"} == {"FDI", "ADM"}


def test_the_artifacts_tell_which_pulse_of_a_pair_the_trigger_marks(tmp_path):
    text = draft_mapping((lab := make_lab(tmp_path, trigger="first")).recording, lab.sheet())

    assert 'trigger_marks = "first"  # so say 5 of 5 pairs of artifacts' in text


def test_channels_without_a_muscle_are_asked_for(tmp_path):
    path = write_edf(tmp_path / "a.edf", {"CH1": noise(20_000), "CH2": noise(20_000, seed=2)}, notes=[(5.0, "TMS 50%")])

    text = draft_mapping(path)

    assert marks(text) == (["muscle", "side", "muscle", "side"], ["kind", "kind"])
    assert len(read_mapping(kept(tmp_path, text)).doubts) == 6


def test_samples_that_cannot_be_of_that_unit_are_doubted(tmp_path):
    path = write_edf(tmp_path / "a.edf", {"FDI_R": noise(20_000)}, unit="V", notes=[(5.0, "TMS 50%")])

    assert marks(draft_mapping(path)) == ([], ["unit"])


def test_labels_without_intervals_are_guessed_from_their_words_and_doubted(tmp_path):
    lab = make_lab(tmp_path)
    frame = lab.frame.drop(columns=["ISI [ms]", "CS"]).assign(
        Art=lab.frame["Art"].replace({"c3": "SICI 3", "c15": "odd"})
    )

    text = draft_mapping(lab.recording, lab.sheet("words.csv", frame))

    assert marks(text) == (["stim_type"], ["stim_type", "stim_type", "isi_ms"])
    with pytest.raises(RecordingError, match=r"labels.3.stim_type is not answered"):
        read_mapping(kept(tmp_path, text))
    answered = text.replace('stim_type = "?"', 'stim_type = "paired"\nisi_ms = 15')
    recording = read(lab.recording, events=tmp_path / "words.csv", mapping=kept(tmp_path, answered))
    assert [event.stimulus.isi_ms for event in recording.events if event.label == "odd"] == [15.0, 15.0]
    assert sum("is still in doubt" in note for note in recording.notes) == 3


def test_a_sheet_that_is_not_utf8_gets_a_doubted_encoding_that_shows_its_words(tmp_path):
    lab = make_lab(tmp_path)
    sheet = lab.sheet("cp.csv", lab.frame.assign(Art=lab.frame["Art"].replace("test", "prüf")), encoding="cp1252")

    text = draft_mapping(lab.recording, sheet)

    assert 'encoding = "cp1252"  # doubt: not UTF-8; this way it reads prüf' in text
    assert len(read(lab.recording, events=sheet, mapping=kept(tmp_path, text)).events) == 8


def test_a_decimal_sign_that_nobody_can_know_is_asked_for(tmp_path):
    lab = make_lab(tmp_path)
    frame = lab.frame.assign(Zeit=[f"{onset:.3f}" for onset in lab.frame["Zeit"]])
    frame["Zeit"] = frame["Zeit"].str.replace(".", ",")
    sheet = lab.sheet("tabs.csv", frame, sep="\t")

    text = draft_mapping(lab.recording, sheet)

    assert "decimal" in marks(text)[0]
    answered = re.sub(r'decimal = "\?".*', 'decimal = ","', text)
    assert len(read(lab.recording, events=sheet, mapping=kept(tmp_path, answered)).events) == 8


def test_onsets_that_fit_no_pulse_are_doubted(tmp_path):
    lab = make_lab(tmp_path)
    frame = lab.frame.assign(Zeit=lab.frame["Zeit"] + np.arange(8) * 0.3)

    text = draft_mapping(lab.recording, lab.sheet("off.csv", frame))

    assert marks(text) == ([], ["onset"])
    assert "doubt: only 1 of 8 lie within a millisecond of a pulse (trigger); 8 pulses were found" in text


def test_what_the_reader_refuses_becomes_a_question(tmp_path):
    path = tmp_path / "numbers.txt"
    path.write_text("# unit: uV\n" + "\n".join(str(value) for value in noise(100)))

    text = draft_mapping(path)

    assert "The recording could not be read yet" in text
    assert marks(text)[0] == ["rate_hz"]
    assert read(path, mapping=kept(tmp_path, re.sub(r"rate_hz = .*", f"rate_hz = {RATE_HZ}", text))).duration_s == 0.05


def test_a_label_with_a_character_that_toml_forbids_is_read_back(tmp_path):
    lab = make_lab(tmp_path)
    sheet = tmp_path / "odd.csv"
    sheet.write_text("Zeit [s],Art\n" + "".join(f"{onset_s:.4f},a\x7fb\n" for onset_s in lab.onsets_s))

    mapping = read_mapping(kept(tmp_path, draft_mapping(lab.recording, sheet).replace('"?"', '"single"')))

    assert [label.label for label in mapping.labels] == ["a\x7fb"]


def test_bars_part_cells_in_which_commas_stand(tmp_path):
    lab = make_lab(tmp_path)
    sheet = tmp_path / "bars.txt"
    sheet.write_text("Zeit [s]|Art\n" + "".join(f"{onset_s:.4f}|a\n".replace(".", ",") for onset_s in lab.onsets_s))

    text = draft_mapping(lab.recording, sheet)

    assert 'delimiter = "|"' in text
    assert 'onset = "Zeit [s]"' in text
