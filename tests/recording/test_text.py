"""Text recordings: three shapes, read alike; every way they can be wrong."""

import numpy as np
import pytest

from decussa.model.errors import RecordingError
from decussa.recording.read import read
from tests.recording.files import noise

TIMES = np.arange(-20, 60) * 0.5
SWEEPS = {
    1: ("single", 52.0, "", noise(80, seed=1).round(2)),
    2: ("paired", 80.0, 2.5, noise(80, seed=2).round(2)),
    7: ("single", 52.0, "", noise(80, seed=3).round(2)),
}


def cell(value, comma):
    return f"{value}".replace(".", ",") if comma else f"{value}"


def long_table(path, mark=",", comma=False, unit="uv", factor=1):
    lines = [mark.join(("sweep", "time_ms", f"FDI_R_{unit}", "stim_type", "intensity_mso", "isi_ms"))]
    for number, (kind, mso, isi, samples) in SWEEPS.items():
        for time, sample in zip(TIMES, samples, strict=True):
            said = [cell(value, comma) for value in (time, round(sample * factor, 8))]
            lines.append(mark.join((str(number), *said, kind, cell(mso, comma), cell(isi, comma))))
    path.write_text("\n".join(lines) + "\n")
    return path


def wide_table(path, mark=",", comma=False):
    lines = [
        "# unit: uV",
        mark.join(("sweep", "channel", "stim_type", "intensity_mso", "isi_ms", *(cell(t, comma) for t in TIMES))),
    ]
    for number, (kind, mso, isi, samples) in SWEEPS.items():
        said = (str(number), "FDI_R", kind, cell(mso, comma), cell(isi, comma))
        lines.append(mark.join((*said, *(cell(sample, comma) for sample in samples))))
    path.write_text("\n".join(lines) + "\n")
    return path


@pytest.mark.parametrize("shape", [long_table, wide_table])
@pytest.mark.parametrize(("mark", "comma"), [(",", False), (";", False), ("\t", False), (";", True), ("\t", True)])
def test_sweeps_are_the_same_in_every_shape_and_spelling(tmp_path, shape, mark, comma):
    recording = read(shape(tmp_path / "s.csv", mark, comma))

    batch = recording.signals.cut(0, recording.events, 100, 100)

    assert (batch.rate_hz, batch.onset_sample, list(batch.shift_ms)) == (2000, 20, [0, 0, 0])
    np.testing.assert_array_equal(batch.samples_uv, np.float32([samples for *_, samples in SWEEPS.values()]))
    assert [event.stimulus.stim_type for event in recording.events] == ["single", "paired", "single"]
    assert recording.events[1].stimulus.isi_ms == 2.5
    assert (recording.channels[0].muscle.key, recording.channels[0].side) == ("FDI", "right")
    assert np.isnan([event.onset_s for event in recording.events]).all()


def test_a_shorter_span_than_the_sweep_is_cut_out_of_it(tmp_path):
    recording = read(long_table(tmp_path / "s.csv"))

    batch = recording.signals.cut(0, recording.events[1:2], 5, 10)

    assert batch.onset_sample == 10
    np.testing.assert_array_equal(batch.samples_uv[0], np.float32(SWEEPS[2][3][10:41]))


@pytest.mark.parametrize(("unit", "factor"), [("mv", 1e-3), ("V", 1e-6), ("µV", 1)])
def test_the_unit_at_the_end_of_a_column_is_converted(tmp_path, unit, factor):
    recording = read(long_table(tmp_path / "s.csv", unit=unit, factor=factor))

    np.testing.assert_allclose(
        recording.signals.cut(0, recording.events, 10, 10).samples_uv[0], SWEEPS[1][3][:41], atol=0.006
    )


def test_an_onset_between_two_samples_is_told_by_the_shift(tmp_path):
    path = tmp_path / "s.csv"
    path.write_text("sweep,time_ms,FDI_uv\n" + "".join(f"1,{t + 0.2:.1f},{t}\n" for t in TIMES))
    recording = read(path)

    batch = recording.signals.cut(0, recording.events, 5, 5)

    # Samples at ..., -0.3, 0.2, 0.7 ms: the one nearest to the onset is 0.2 ms after it.
    np.testing.assert_allclose(batch.shift_ms, [-0.2])


def test_sweeps_of_several_muscles_may_be_of_different_stimuli(tmp_path):
    path = tmp_path / "s.csv"
    path.write_text("# unit: mV\nsweep,channel,-1,0,1,2\n1,FDI,1,2,3,4\n2,APB,5,6,7,8\n")
    recording = read(path)

    assert [event.muscle for event in recording.events] == ["FDI", "APB"]
    assert recording.notes == ("no stim_type is given: taken from the interval and the current, else single",)
    np.testing.assert_array_equal(
        recording.signals.cut(1, recording.events[1:], 1, 2).samples_uv, [[5e3, 6e3, 7e3, 8e3]]
    )


def test_participant_and_session_may_stand_in_the_table(tmp_path):
    path = tmp_path / "s.csv"
    path.write_text("participant,session,sweep,time_ms,FDI_uv\n" + "".join(f"P3,2,1,{t},{t}\n" for t in range(-5, 9)))

    recording = read(path)

    assert (recording.participant, recording.session) == ("P3", "2")


def test_a_continuous_table_is_read_with_its_trigger(tmp_path):
    path = tmp_path / "c.tsv"
    samples = noise(4000).round(3)
    rows = (f"{i / 1000:.3f}\t{x}\t{5 if 1500 <= i < 1503 else 0}\n" for i, x in enumerate(samples))
    path.write_text("time_s\tFDI_uv\tTTL\n" + "".join(rows))
    recording = read(path)

    assert [(event.onset_s, event.pulse_from) for event in recording.events] == [(1.5, "trigger")]
    np.testing.assert_array_equal(
        recording.signals.cut(0, recording.events, 10, 20).samples_uv[0], np.float32(samples[1490:1521])
    )


def counts(path, unit=""):
    unit_line = f"# Unit: {unit}\n" if unit else ""
    head = f"# Sampling Rate (Hz):= 1000.00\n{unit_line}# Labels:= EMG\n"
    path.write_text(head + "".join(f"{2000 + i % 7}\n" for i in range(3000)))
    return path


def test_samples_without_a_unit_are_counts_and_cannot_be_measured(tmp_path):
    recording = read(counts(tmp_path / "c.txt"))

    assert [(channel.name, channel.kind, channel.unit) for channel in recording.channels] == [("EMG", "emg", "counts")]
    assert recording.notes == ("no unit is given: samples are converter counts, not microvolt",)

    sheet = tmp_path / "sheet.csv"
    sheet.write_text("onset,stim_type\n1.0,single\n")
    with pytest.raises(RecordingError, match="unit of the signal is not known"):
        read(tmp_path / "c.txt", events=sheet)
    assert len(read(counts(tmp_path / "d.txt", "mV"), events=sheet).events) == 1


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("hello\nworld\n", "not a recording in a known shape"),
        ("sweep,time_ms,FDI_uv\n", "table has no rows"),
        ("# only comments\n", "table has no rows"),
        ("sweep,time_ms,FDI_uv\n1,-1,3\n1,0,\n1,1,2\n1,2,4\n", "sample is missing within a sweep"),
        ("sweep,time_ms,FDI_uv\n1,-1,3\n1,0,nan\n1,1,2\n1,2,4\n", "sample is missing within a sweep"),
        ("sweep,time_ms,FDI_uv\n1,-1,3\n1,0,inf\n1,1,2\n1,2,4\n", "line 3: cell of column FDI_uv is not a number"),
        ("sweep,time_ms,FDI_uv\n1,-1,3\n1,0,abc\n1,1,2\n1,2,4\n", "line 3: cell of column FDI_uv is not a number"),
        ("sweep,time_ms,FDI_uv\n1,-1,3\n1,0,2\n1,0,2\n1,2,4\n", "a sample is given twice"),
        ("sweep,time_ms,FDI_uv\n1,-1,3\n1,0,2\n1,1,2\n1,9,4\n", "times do not run evenly"),
        ("sweep,time_ms,FDI_uv\n1,5,3\n1,6,2\n1,7,2\n1,8,4\n", "sweeps do not hold the stimulus"),
        ("sweep,time_ms,FDI_uv\n1,-1,3\n1,0,3\n1,1,3\n1,2,3\n", "channel FDI is constant"),
        ("sweep,time_ms,FDI (furlong)\n1,-1,3\n1,0,2\n", "unit of the signal is not known"),
        ("sweep,time_ms,FDI\n1,-1,3\n1,0,2\n", "no EMG channel"),
        ("sweep,time_ms,FDI_uv,FDI_uv\n1,-1,3,3\n1,0,2,3\n", "two columns have one name"),
        ("sweep,time_ms,FDI_uv\n1,-1,3,9\n1,0,2,9\n", "rows do not fit the columns"),
        ("sweep,time_ms,FDI_uv,isi_ms\n1,-1,3,-3\n1,0,2,-3\n1,1,4,-3\n", "needs an interval"),
        ("sweep,time_ms,FDI_uv,stim_type\n1,-1,3,odd\n1,0,2,odd\n1,1,4,odd\n", "stim_type is not known"),
        ("participant,sweep,time_ms,FDI_uv\nA,1,-1,3\nA,1,0,2\nB,2,-1,3\nB,2,0,2\n", "more than one participant"),
        ("sweep,stim_type,-1,0,1\n1,single,3,2,4\n", "found no unit"),
        ("# unit: uV\nsweep,-1,0,1\n1,3,2,4\n1,3,2,5\n", "sweep 1 is given twice"),
        ("# unit: uV\nsweep,-1,0,1\n1,3,,4\n", "sample is missing within a sweep"),
        ("# Sampling rate: 0 Hz\n1\n2\n", "sampling rate cannot be known"),
        ("# Sampling rate: fast\n1\n2\n", "sampling rate cannot be known"),
        ("# rate_hz: 1000\n1\n\n3\nx\n", "cell of column 1 is not a number"),
        ("# rate_hz: 1000\n1,5\n2,5\n", "a comma may part columns or decimals"),
        ("# rate_hz: 1000\n# labels: EMG\n7\n7\n7\n", "channel EMG is constant"),
    ],
)  # fmt: skip
def test_a_table_that_cannot_be_believed_is_refused_in_one_sentence(tmp_path, text, words):
    path = tmp_path / "t.csv"
    path.write_text(text)

    with pytest.raises(RecordingError) as refused:
        read(path)

    assert words in str(refused.value)
    assert str(refused.value).startswith(str(path))
    assert "\n" not in str(refused.value)
