"""EDF and BDF: what is read, what only needed bytes means, and every way a file can be wrong."""

import resource

import numpy as np
import pytest

from decussa.model.errors import RecordingError
from decussa.model.recording import StimulusEvent
from decussa.model.stimulus import Stimulus
from decussa.recording.read import read
from tests.recording.files import noise, plain_edf, put, signal_field, write_edf


def event(onset_s):
    return StimulusEvent(sweep=1, onset_s=onset_s, stimulus=Stimulus.single(50), pulse_from="events")


def test_a_sweep_holds_the_samples_around_its_stimulus(tmp_path):
    samples = noise(20_000)
    recording = read(write_edf(tmp_path / "a.bdf", {"FDI": samples}))

    batch = recording.signals.cut(0, [event(3.0), event(5.5)], 100, 50)

    assert batch.samples_uv.dtype == np.float32
    assert batch.onset_sample == 200
    # A step of 24 bits over 2000 uV is 0.00012 uV.
    np.testing.assert_allclose(batch.samples_uv[0], samples[5800:6101], atol=1.3e-4)
    np.testing.assert_allclose(batch.samples_uv[1], samples[10_800:11_101], atol=1.3e-4)


def test_an_onset_between_samples_is_told_by_the_shift(tmp_path):
    recording = read(write_edf(tmp_path / "a.bdf", {"FDI": noise(20_000)}))

    batch = recording.signals.cut(0, [event(3.0001), event(3.0004)], 10, 10)

    # 2000 Hz: samples every 0.5 ms, so 0.1 ms after one and 0.1 ms before the next.
    np.testing.assert_allclose(batch.shift_ms, [0.1, -0.1], atol=1e-9)


def test_samples_beyond_the_ends_are_missing(tmp_path):
    recording = read(write_edf(tmp_path / "a.edf", {"FDI": noise(20_000)}))

    batch = recording.signals.cut(0, [event(0.0), event(9.9995)], 10, 10)

    assert np.isnan(batch.samples_uv[0, :20]).all()
    assert np.isfinite(batch.samples_uv[0, 20:]).all()
    assert np.isnan(batch.samples_uv[1, 21:]).all()
    assert np.isfinite(batch.samples_uv[1, :21]).all()


@pytest.mark.parametrize(("unit", "factor"), [("V", 1e6), ("mV", 1e3), ("uV", 1), ("nV", 1e-3)])
def test_units_of_the_header_become_microvolt(tmp_path, unit, factor):
    samples = noise(20_000)
    recording = read(write_edf(tmp_path / "a.bdf", {"FDI": samples}, unit=unit))

    batch = recording.signals.cut(0, [event(3.0)], 10, 10)

    np.testing.assert_allclose(batch.samples_uv[0], samples[5980:6021] * factor, atol=1.3e-4 * factor)


def test_rails_are_exactly_what_a_clipped_sample_reads(tmp_path):
    samples = noise(20_000)
    samples[6000:6010], samples[6010:6020] = 1000, -1000
    recording = read(write_edf(tmp_path / "a.edf", {"FDI": samples}))
    channel = recording.channels[0]

    batch = recording.signals.cut(0, [event(3.0)], 10, 20)

    assert (batch.samples_uv == np.float32(channel.high_uv)).sum() == 10
    assert (batch.samples_uv == np.float32(channel.low_uv)).sum() == 10


def test_channels_may_have_rates_of_their_own(tmp_path):
    import edfio

    fast, slow = noise(50_000), noise(10_000, seed=1)
    edfio.Edf(
        [
            edfio.EdfSignal(fast, 5000, label="EMG FDI", physical_dimension="uV", physical_range=(-1000, 1000)),
            edfio.EdfSignal(slow, 1000, label="Torque", physical_dimension="Nm", physical_range=(-1000, 1000)),
        ]
    ).write(tmp_path / "a.edf")
    recording = read(tmp_path / "a.edf")

    assert [channel.rate_hz for channel in recording.channels] == [5000, 1000]
    assert [channel.kind for channel in recording.channels] == ["emg", "other"]
    np.testing.assert_allclose(recording.signals.cut(1, [event(2.0)], 10, 10).samples_uv[0], slow[1990:2011], atol=0.02)
    np.testing.assert_allclose(recording.signals.cut(0, [event(2.0)], 1, 1).samples_uv[0], fast[9995:10_006], atol=0.02)


def test_a_recording_far_larger_than_memory_is_cut_without_reading_it(tmp_path):
    path = write_edf(tmp_path / "a.bdf", {"FDI": noise(20_000)})
    bytes_of_record = (path.stat().st_size - int(path.read_bytes()[184:192])) // 20
    records = 20_000_000
    put(path, 236, str(records), 8)
    # Plain BDF without annotations, so that nothing needs every record; the file is sparse: 60 GB that take no room.
    header = int(path.read_bytes()[184:192])
    signal_field(path, 0, "unused", signal=1)
    signal_field(path, 3, "-1", signal=1)
    signal_field(path, 4, "1", signal=1)
    with path.open("r+b") as file:
        file.truncate(header + records * bytes_of_record)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss

    recording = read(path)
    batch = recording.signals.cut(0, [event(3.0), event(9e6)], 10, 10)

    assert recording.duration_s == 1e7
    assert np.ptp(batch.samples_uv[0]) > 0
    assert np.ptp(batch.samples_uv[1]) == 0
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 100_000


def test_the_person_in_the_header_is_not_taken_along(tmp_path):
    path = plain_edf(tmp_path / "a.edf")
    put(path, 8, "12-3 F 02-AUG-1951 Invented_Name", 80)

    assert "Invented" not in repr(read(path))


def test_a_record_count_that_was_never_written_is_found_from_the_length(tmp_path):
    path = plain_edf(tmp_path / "a.edf")
    put(path, 236, "-1", 8)

    recording = read(path)

    assert recording.duration_s == 10
    assert "never closed" in recording.notes[0]


def test_a_header_that_lost_a_byte_before_the_date_is_read_from_there(tmp_path):
    path = plain_edf(tmp_path / "a.edf")
    whole = read(path)
    sweeps = whole.signals.cut(0, whole.events, 10, 10).samples_uv
    content = path.read_bytes()
    path.write_bytes(content[:150] + content[151:])

    recording = read(path)

    assert "-1 byte off" in recording.notes[0]
    np.testing.assert_array_equal(recording.signals.cut(0, recording.events, 10, 10).samples_uv, sweeps)


def test_records_that_follow_each_other_are_read_even_where_the_header_says_gaps(tmp_path):
    path = plain_edf(tmp_path / "a.edf")
    put(path, 192, "EDF+D", 44)

    assert len(read(path).events) == 2


def test_records_that_run_backwards_are_refused(tmp_path):
    path = plain_edf(tmp_path / "a.edf")
    put(path, 192, "EDF+D", 44)
    path.write_bytes(path.read_bytes().replace(b"+5\x14\x14", b"+6\x14\x14"))

    with pytest.raises(RecordingError, match=r"data records run backwards; expected data record 12 at 6.5 s"):
        read(path)


def test_labels_that_are_not_ascii_are_read(tmp_path):
    path = plain_edf(tmp_path / "a.edf")
    signal_field(path, 0, "EMG Rücken")
    signal_field(path, 2, "µV")

    channel = read(path).channels[0]

    assert (channel.name, channel.unit) == ("EMG Rücken", "µV")


def truncated(path):
    path.write_bytes(path.read_bytes()[:-700])


def shorter_than_its_header(path):
    path.write_bytes(path.read_bytes()[:400])


def wrong_magic(path):
    path.write_bytes(b"\x89PNG\r\n\x1a\n\0\0" + path.read_bytes()[10:])


def longer_than_its_header_says(path):
    path.write_bytes(path.read_bytes() + bytes(100))


@pytest.mark.parametrize(
    ("damage", "words"),
    [
        (truncated, "file is cut short; expected 20 data records"),
        (shorter_than_its_header, "file is cut short; expected a header of 768 bytes; found 400 bytes"),
        (wrong_magic, "format is not known"),
        (longer_than_its_header_says, "longer than its header says"),
        (lambda path: path.write_bytes(b""), "file is empty"),
        (lambda path: put(path, 184, "9999", 8), "header contradicts itself; expected 768"),
        (lambda path: put(path, 252, "x", 4), "header cannot be read: number of signals"),
        (lambda path: put(path, 236, "0", 8), "recording holds no samples"),
        (lambda path: put(path, 236, "999", 8), "file is cut short; expected 999"),
        (lambda path: put(path, 244, "0", 8), "sampling rate cannot be known"),
        (lambda path: put(path, 244, "nan", 8), "duration of a data record"),
        (lambda path: put(path, 244, "1e-9", 8), "sampling rate cannot be known"),
        (lambda path: signal_field(path, 8, "0"), "sampling rate of 0 Hz"),
        (lambda path: signal_field(path, 2, "furlong"), "unit of the signal is not known"),
        (lambda path: signal_field(path, 2, ""), "found no unit"),
        (lambda path: signal_field(path, 3, "1000"), "scale of channel EMG FDI R cannot be known"),
        (lambda path: signal_field(path, 6, "-32768"), "scale of channel EMG FDI R cannot be known"),
        (lambda path: signal_field(path, 6, "1e9"), "scale of channel EMG FDI R cannot be known"),
        (lambda path: signal_field(path, 3, "inf"), "physical minimum of EMG FDI R"),
    ],
)
def test_a_damaged_file_is_refused_in_one_sentence_that_names_it(tmp_path, damage, words):
    path = plain_edf(tmp_path / "a.edf")
    damage(path)

    with pytest.raises(RecordingError) as refused:
        read(path)

    assert words in str(refused.value)
    assert str(refused.value).startswith(str(path))
    assert "\n" not in str(refused.value)


def test_a_constant_channel_is_refused(tmp_path):
    path = write_edf(tmp_path / "a.edf", {"EMG FDI": noise(20_000), "EMG APB": np.full(20_000, 12.0)})

    with pytest.raises(RecordingError, match="channel EMG APB is constant"):
        read(path)
