"""The manual's page on formats says what the reader does: its examples are read, its columns are all there are."""

import re
from pathlib import Path

import pytest

from decussa.recording.array_words import (
    AT_SAMPLE,
    BEFORE,
    BEFORE_UNCLEAR,
    COLUMNS,
    KEYS,
    LABELS,
    ONSETS,
    RATE,
    SAMPLES_BEFORE,
    SIGNAL,
    STEP,
    TIME,
    UNIT,
)  # fmt: skip
from decussa.recording.events import EVENT_COLUMNS
from decussa.recording.read import FORMATS, read
from tests.recording.files import plain_edf

PAGE = (Path(__file__).parents[2] / "docs" / "formats.md").read_text(encoding="utf-8")
EXAMPLES = re.findall(r"```recording\n(.*?)```", PAGE, flags=re.DOTALL)


@pytest.mark.parametrize("example", EXAMPLES)
def test_every_example_of_a_recording_is_read(tmp_path, example):
    path = tmp_path / "example.csv"
    path.write_text(example)

    recording = read(path)

    assert [
        (recording.channels[index].muscle.key, recording.channels[index].side) for index in recording.emg_channels
    ] == [("FDI", "right")]
    assert "counts" not in {recording.channels[index].unit for index in recording.emg_channels}


def test_the_example_of_events_is_read(tmp_path):
    (example,) = re.findall(r"```events\n(.*?)```", PAGE, flags=re.DOTALL)
    (tmp_path / "events.tsv").write_text(example)

    events = read(plain_edf(tmp_path / "a.edf"), events=tmp_path / "events.tsv").events

    assert [(event.onset_s, event.stimulus.stim_type) for event in events] == [(2.3124, "single"), (7.9088, "paired")]


def test_every_word_for_arrays_is_known_to_the_reader():
    section = PAGE.split("## Files of arrays")[1].split("\n## ")[0]
    for title, known in (
        ("Samples", set().union(*SIGNAL) | {"FDI_R"}),
        ("Sampling rate", {*RATE, *STEP, *TIME}),
        ("Test pulse", {*BEFORE, *AT_SAMPLE, *SAMPLES_BEFORE, *BEFORE_UNCLEAR}),
        ("Unit", {*UNIT, "emg_mv"}),
        ("Labels", {*LABELS, "muscle"}),
        ("Stimuli", {*COLUMNS, *ONSETS, "ttl", "trigger", "--events"}),
        ("Who and when", set(KEYS)),
    ):
        (item,) = re.findall(rf"^- \*\*{title}\*\*(.*?)(?=^- \*\*|^\n)", section, flags=re.DOTALL | re.MULTILINE)
        assert set(re.findall(r"`([^`]+)`", item)) <= known, title


def test_every_column_and_ending_has_its_place():
    assert re.findall(r"^\| `(\w+)` \|", PAGE, flags=re.MULTILINE) == [column.name for column in EVENT_COLUMNS]
    assert [ending for entry in FORMATS for ending in entry.endings if f"`{ending}`" not in PAGE] == []
