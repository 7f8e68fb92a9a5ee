"""The manual's page on formats says what the reader does: its examples are read, its columns are all there are."""

import re
from pathlib import Path

import pytest

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


def test_every_column_and_ending_has_its_place():
    assert re.findall(r"^\| `(\w+)` \|", PAGE, flags=re.MULTILINE) == [column.name for column in EVENT_COLUMNS]
    assert [ending for entry in FORMATS for ending in entry.endings if f"`{ending}`" not in PAGE] == []
