"""A mapping is read whole or refused by line and field; its questions and doubts are kept."""

import math
import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from decussa.model.errors import DecussaError, RecordingError
from decussa.recording.mapping import ChannelMapping
from decussa.recording.mapping_file import read_mapping
from decussa.recording.mapping_schema import COLUMN_WORDS, ENCODINGS
from decussa.recording.read import read
from tests.recording.files import plain_edf
from tests.recording.labs import MAPPING, make_lab

PAGE = (Path(__file__).parents[2] / "docs" / "mapping.md").read_text(encoding="utf-8")
TEXT = """
[signals]
unit = "mV"
rate_hz = 4000
onset_ms = 250
axes = ["sweep", "sample"]

[[channels]]
name = "Kanal 1"
kind = "emg"
muscle = "first dorsal interosseous"
side = "right"

[[channels]]
name = "Kanal 2"
muscle = "Masseter"

[pulses]
trigger_marks = "first"

[sheet]
decimal = ","
thousands = "."

[columns]
onset = "Zeit"

[[labels]]
label = "c3"
stim_type = "paired"
isi_ms = 3
"""


def written(folder, text=TEXT):
    path = folder / "mapping.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_every_field_arrives(tmp_path):
    mapping = read_mapping(written(tmp_path))

    assert (mapping.unit, mapping.rate_hz, mapping.onset_ms, mapping.axes) == ("mV", 4000, 250, ("sweep", "sample"))
    assert (mapping.trigger_marks, mapping.sheet.decimal, mapping.sheet.thousands) == ("first", ",", ".")
    first, second = mapping.channels
    assert (first.muscle.key, first.side, first.kind, mapping.channel("Kanal 1").unit) == ("FDI", "right", "emg", "mV")
    assert (second.muscle.key, second.muscle.window_ms) == ("Masseter", (10, 50))
    assert mapping.channel("elsewhere") == ChannelMapping(name="elsewhere", unit="mV")
    assert mapping.label(" C3 ").isi_ms == 3
    assert math.isnan(mapping.label("c3").intensity_mso)
    assert mapping.label("c4") is None
    assert mapping.doubts == ()


@pytest.mark.parametrize(
    ("old", "new", "line", "words"),
    [
        ('"mV"', '"mW"', 3, "signals.unit cannot be meant; expected 'V', 'mV'"),
        ("4000", "-1", 4, "signals.rate_hz cannot be meant; expected greater than 0; found -1"),
        ("4000", "nan", 4, "signals.rate_hz cannot be meant; expected a finite number"),
        ('"sample"]', '"time"]', 6, "signals.axes.2 cannot be meant; expected 'sweep', 'channel' or 'sample'"),
        ('["sweep", "sample"]', '["sweep"]', 2, "axes must name the one along which samples follow"),
        ("muscle =", "muscel =", 11, "channels.1.muscel is not a known field; expected 'muscle'"),
        ('name = "Kanal 2"', "", 14, "channels.2.name is missing"),
        ('"right"', '"upper"', 12, "channels.1.side cannot be meant"),
        ('"first"', '"both"', 19, "pulses.trigger_marks cannot be meant; expected 'test' or 'first'"),
        ("onset =", "onst =", 26, "columns.onst is not a word of the product; did you mean 'onset'"),
        ('"Zeit"', "3", 26, "columns.onset cannot be meant"),
        ("isi_ms = 3", "isi_ms = 0", 31, "labels.1.isi_ms cannot be meant; expected greater than 0"),
        ('"paired"', '"single"', 28, "a single stimulus has no isi_ms"),
        ('thousands = "."', 'thousands = ","', 21, "decimal must differ from delimiter and thousands"),
        ("[signals]", "[signals", 0, "mapping is not valid TOML"),
        ('"Kanal 2"', '"Kanal 1"', 1, "channel 'Kanal 1' is described twice"),
    ],
)
def test_a_fault_is_named_by_its_line_and_field(tmp_path, old, new, line, words):
    path = written(tmp_path, TEXT.replace(old, new, 1))

    with pytest.raises(RecordingError, match=re.escape(words)) as refused:
        read_mapping(path)

    assert str(refused.value).startswith(f"{path}, line {line}: " if line else f"{path}: ")


@pytest.mark.parametrize("answer", ['unit = "?"', 'rate_hz = "?"', 'axes = ["?"]', 'onset_ms = "?"'])
def test_a_question_on_which_samples_hang_must_be_answered(tmp_path, answer):
    field = answer.split(" ", maxsplit=1)[0]
    text = "\n".join(answer if line.startswith(f"{field} =") else line for line in TEXT.splitlines())

    with pytest.raises(RecordingError, match=rf"signals.{field} is not answered"):
        read_mapping(written(tmp_path, text))


def test_other_questions_and_doubts_are_kept_and_said(tmp_path):
    text = TEXT.replace('"right"', '"?"').replace('unit = "mV"', 'unit = "mV"  # doubt: the samples are small')
    text += 'condition = "a # doubt: in the text is none"  # plain'

    mapping = read_mapping(written(tmp_path, text))

    assert [(doubt.line, doubt.field, doubt.why) for doubt in mapping.doubts] == [
        (3, "signals.unit", "the samples are small"),
        (12, "channels.1.side", "nobody answered it"),
    ]
    assert mapping.channel("Kanal 1").side == ""
    assert mapping.notes[0] == "mapping.toml, line 3: signals.unit is still in doubt: the samples are small"


def test_a_mapping_tells_a_reader_what_channels_are(tmp_path):
    text = (
        '[[channels]]\nname = "EMG FDI R"\nmuscle = "ADM"\nside = "left"\nunit = "mV"\n[signals]\nparticipant = "07"\n'
    )
    path = plain_edf(tmp_path / "a.edf")

    plain, mapped = read(path), read(path, mapping=written(tmp_path, text))

    (channel,) = mapped.channels
    assert (channel.muscle.key, channel.side, channel.unit, mapped.participant) == ("ADM", "left", "mV", "07")
    before, after = (one.signals.cut(0, one.events, 5, 5).samples_uv for one in (plain, mapped))
    assert after == pytest.approx(before * 1e3, rel=1e-6)


def test_a_channel_that_is_not_there_is_refused_with_those_that_are(tmp_path):
    text = '[[channels]]\nname = "EMG FDR R"\nkind = "emg"\n'

    with pytest.raises(RecordingError, match=r"not there: 'EMG FDR R'; expected one of 'EMG FDI R'"):
        read(plain_edf(tmp_path / "a.edf"), mapping=written(tmp_path, text))


def test_a_mapping_that_is_no_text_or_too_long_is_refused(tmp_path):
    (tmp_path / "a.toml").write_bytes(b'[signals]\nunit = "\xff"\n')
    (tmp_path / "b.toml").write_bytes(b"#" * (1 << 21))

    with pytest.raises(RecordingError, match=r"line 2: mapping is not UTF-8"):
        read_mapping(tmp_path / "a.toml")
    with pytest.raises(RecordingError, match="mapping is too long"):
        read_mapping(tmp_path / "b.toml")
    with pytest.raises(DecussaError, match="mapping cannot be read"):
        read_mapping(tmp_path / "none.toml")


def test_the_manual_names_every_field_and_its_example_is_read(tmp_path):
    (example,) = re.findall(r"```mapping\n(.*?)```", PAGE, flags=re.DOTALL)

    mapping = read_mapping(written(tmp_path, example))

    assert mapping.label("cond3").condition == "SICI"
    fields = (
        "unit rate_hz onset_ms variable axes participant session name kind muscle side trigger_marks delimiter decimal"
    )
    fields += " thousands encoding label stim_type condition isi_ms intensity_mso cond_intensity_mso current_ma contraction_pct"
    assert [field for field in fields.split() if f"`{field}`" not in PAGE] == []
    assert {"onset", "label", "time_of_day"} <= set(COLUMN_WORDS)
    assert "cp1252" in ENCODINGS


WORDS = [
    "\n",
    "\\",
    "\0",
    "nan",
    "1e999",
    '"""',
    "[[labels]]",
    "[columns]",
    "{}",
    "2026-02-03",
    "true",
    "# doubt:",
    "\ud7ff",
]
PIECES = st.sampled_from([*"\"'[]=#?", *WORDS, "9" * 400, "[" * 300])
CHANGES = st.lists(st.tuples(st.integers(0, 700), st.integers(0, 6), PIECES), min_size=1, max_size=5)


def refusal(act):
    """What was said where something was refused; empty where it was done."""
    try:
        act()
    except DecussaError as refused:
        return str(refused)
    return ""


def changed(text, changes):
    for at, cut, put in changes:
        at %= len(text) + 1
        text = text[:at] + put + text[at + cut :]
    return text


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(changes=CHANGES)
def test_a_damaged_mapping_gives_a_mapping_or_one_sentence(tmp_path, changes):
    path = written(tmp_path, changed(TEXT, changes))

    answer = refusal(lambda: read_mapping(path))

    assert "\n" not in answer
    assert not answer or str(path) in answer


@pytest.fixture(scope="module")
def lab(tmp_path_factory):
    return make_lab(tmp_path_factory.mktemp("fuzz"), labels=("test", "c3", "c15", "c3"))


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(changes=CHANGES, raw=st.binary(max_size=3))
def test_a_damaged_sheet_gives_stimuli_at_their_pulses_or_one_sentence(lab, changes, raw):
    text = lab.sheet().read_text(encoding="utf-8")
    sheet = lab.folder / "damaged.csv"
    sheet.write_bytes(changed(text, changes).encode("utf-8", "replace") + raw)

    found = []
    answer = refusal(lambda: found.extend(read(lab.recording, events=sheet, mapping=lab.mapping(MAPPING)).events))

    assert "\n" not in answer
    near = [int(np.abs(lab.onsets_s - event.onset_s).argmin()) for event in found]
    assert len(set(near)) == len(found)
    assert [event.onset_s for event in found] == pytest.approx(lab.onsets_s[near], abs=0.1)
