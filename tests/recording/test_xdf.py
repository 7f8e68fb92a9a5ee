"""XDF: streams on one clock, at their own rates, with markers where they came. Written after the published format."""

import re
import struct

import numpy as np
import pytest

from decussa.model.errors import RecordingError
from decussa.recording import xdf_check
from decussa.recording.read import read
from tests.recording.foreign import _chunk, _stream_header, _varlen, make_session, write_xdf

SESSION = make_session(8, n_stimuli=3)


def samples_of(recording, channel=0):
    return recording.signals.read_channel(channel)


def add_stream(path, number, name, kind, rate_hz, values, stamps, form="float32"):
    """Append a stream of one channel."""
    code = {"float32": "<f4", "int32": "<i4"}[form]
    body = b"".join(
        b"\x08" + struct.pack("<d", at) + np.array(value, dtype=code).tobytes()
        for at, value in zip(stamps, values, strict=True)
    )
    with path.open("ab") as file:
        file.write(_stream_header(number, name, kind, 1, rate_hz, form))
        file.write(_chunk(3, struct.pack("<I", number) + _varlen(len(values)) + body))


@pytest.mark.parametrize("offset_s", [0.0, 7.5, -1234.0])
def test_a_markers_clock_that_runs_ahead_is_set_right_by_its_offsets(tmp_path, offset_s):
    recording = read(write_xdf(tmp_path / "a.xdf", SESSION, offset_s=offset_s))

    np.testing.assert_allclose([event.onset_s for event in recording.events], SESSION.column("onset_s"), atol=1e-6)
    assert {event.pulse_from for event in recording.events} == {"annotation"}
    assert [channel.unit for channel in recording.channels] == ["microvolts", "microvolts"]
    np.testing.assert_array_equal(samples_of(recording), SESSION.samples_uv[0].astype(np.float32))


def test_a_trigger_stream_at_another_rate_and_start_places_the_pulses(tmp_path):
    path = write_xdf(tmp_path / "a.xdf", SESSION)
    stamps = 98.5 + np.arange(round((SESSION.seconds + 1) * 500)) / 500
    level = np.zeros(stamps.size)
    for stim in SESSION.stimuli:
        level[np.searchsorted(stamps, 100 + stim.onset_s) :][:20] = 5.0
    add_stream(path, 9, "TTL", "Trigger", 500, level, stamps)

    recording = read(path)

    late_s = np.array([event.onset_s for event in recording.events]) - SESSION.column("onset_s")
    assert [channel.rate_hz for channel in recording.channels] == [2000, 2000, 500]
    assert {event.pulse_from for event in recording.events} == {"trigger"}
    assert late_s.min() > -1e-9
    assert late_s.max() <= 1 / 500


def test_irregular_numbers_of_a_trigger_stream_are_triggers(tmp_path):
    path = write_xdf(tmp_path / "a.xdf", SESSION)
    at = [stim.onset_s + 100 for stim in SESSION.stimuli]
    add_stream(path, 9, "codes", "Trigger", 0, [1, 2, 3], at, form="int32")

    recording = read(path)

    assert {event.pulse_from for event in recording.events} == {"trigger"}
    np.testing.assert_allclose([event.onset_s for event in recording.events], SESSION.column("onset_s"), atol=1e-6)


def test_stamps_that_scatter_are_laid_on_an_even_rate_and_a_note_says_by_how_much(tmp_path):
    path = write_xdf(tmp_path / "a.xdf", SESSION)
    content = bytearray(path.read_bytes())
    late = np.random.default_rng(0).uniform(-0.004, 0.004, SESSION.samples_uv.shape[1])
    row = 9 + 4 * len(SESSION.labels)
    at = content.index(b"\x08" + struct.pack("<d", 100.0))
    for number, shift in enumerate(late):
        (stamp,) = struct.unpack_from("<d", content, at + 1)
        struct.pack_into("<d", content, at + 1, stamp + shift)
        at += row
        if (number + 1) % 500 == 0 and number + 1 < late.size:
            at = content.index(b"\x08" + struct.pack("<d", 100.0 + (number + 1) / 2000), at)
    path.write_bytes(bytes(content))

    recording = read(path)

    (note,) = recording.notes
    assert re.fullmatch(r"time stamps of stream arm scatter by up to (3.9|4.[01]) ms about an even rate", note)
    assert recording.channels[0].rate_hz == pytest.approx(2000, rel=1e-4)
    np.testing.assert_allclose([event.onset_s for event in recording.events], SESSION.column("onset_s"), atol=4.5e-3)


def test_a_file_without_emg_is_refused_and_names_what_there_is(tmp_path):
    path = tmp_path / "a.xdf"
    path.write_bytes(b"XDF:" + _chunk(1, b"<info><version>1.0</version></info>"))
    add_stream(path, 1, "gyro", "Motion", 100, np.arange(50.0), np.arange(50) / 100)

    with pytest.raises(RecordingError, match=r"no EMG channel.*found gyro"):
        read(path)


@pytest.mark.parametrize(
    ("old", "new", "what"),
    [
        (b"<nominal_srate>2000", b"<nominal_srate>-200", "header of stream 1"),
        (b"<channel_count>2<", b"<channel_count>0<", "header of stream 1"),
        (b"float32", b"float99", "header of stream 1"),
        (b"microvolts", b"kilowatts!", "unit of the signal is not known.*kilowatts!"),
        (b"</info>", b"</inf0>", "cannot be read"),
        (
            struct.pack("<H", 3) + struct.pack("<I", 1),
            struct.pack("<H", 3) + struct.pack("<I", 8),
            "stream 8, which has no header",
        ),
        (struct.pack("<H", 4) + struct.pack("<I", 2), struct.pack("<H", 9) + struct.pack("<I", 2), "unknown kind 9"),
        (b"\x01\xf4\x08", b"\x01\xf5\x08", "samples in chunk"),
    ],
)
def test_chunks_that_do_not_fit_each_other_are_refused(tmp_path, old, new, what):
    path = write_xdf(tmp_path / "a.xdf", SESSION)
    content = path.read_bytes()
    if old == b"\x01\xf4\x08":  # the count of a chunk of 500 samples, which takes four bytes
        old, new = b"\x04" + struct.pack("<I", 500) + b"\x08", b"\x04" + struct.pack("<I", 501) + b"\x08"
    assert old in content
    path.write_bytes(content.replace(old, new))

    with pytest.raises(RecordingError, match=what):
        read(path)


def test_what_unpacks_to_more_than_fits_is_refused_before_it_is_read(tmp_path, monkeypatch):
    path = write_xdf(tmp_path / "a.xdf", SESSION)
    monkeypatch.setattr(xdf_check, "XDF_BYTES", path.stat().st_size - 1)
    with pytest.raises(RecordingError, match="too large to be held in memory"):
        read(path)
