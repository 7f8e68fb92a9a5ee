"""NWB 2, written by pynwb: conversions, times, names of electrodes, tables, annotations."""

from datetime import UTC, datetime

import h5py
import numpy as np
import pytest
from pynwb import NWBHDF5IO, NWBFile, TimeSeries
from pynwb.epoch import TimeIntervals
from pynwb.misc import AnnotationSeries

from decussa.model.errors import RecordingError
from decussa.model.recording import StimulusEvent
from decussa.model.stimulus import Stimulus
from decussa.model.sweep import Sweep
from decussa.recording.hdf5_write import SweepsToWrite
from decussa.recording.nwb_write import write_nwb as share_nwb
from decussa.recording.read import read
from tests.recording.foreign import make_session, write_nwb

SESSION = make_session(9, labels=("FDI_R",), n_stimuli=3)
LINE = SESSION.samples_uv[0]


def write(path, *series, intervals=None, notes=()):
    file = NWBFile(session_description="invented", identifier="x", session_start_time=datetime(2026, 1, 2, tzinfo=UTC))
    for item in series:
        file.add_acquisition(item)
    for item in intervals or ():
        file.add_time_intervals(item)
    if notes:
        table = file.create_events_table(name="notes", description="what was said")
        table.add_column("annotation", "text")
        for at, text in notes:
            table.add_row(timestamp=at, annotation=text)
    with NWBHDF5IO(path, "w") as io:
        io.write(file)
    return path


def emg(name="EMG FDI R", data=LINE / 1e3, unit="mV", **more):
    return TimeSeries(name=name, data=data, unit=unit, **({"rate": 2000.0, "starting_time": 5.0} | more))


def stimuli(name="stimuli", **columns):
    table = TimeIntervals(name=name, description="what was given")
    for column in columns:
        table.add_column(column, column)
    for number, stim in enumerate(SESSION.stimuli):
        table.add_row(
            start_time=5 + stim.onset_s,
            stop_time=6 + stim.onset_s,
            **{key: value[number] for key, value in columns.items()},
        )
    return table


def test_a_series_with_unit_conversion_and_offset_comes_out_in_microvolt(tmp_path):
    path = write(tmp_path / "a.nwb", emg(data=(LINE - 8) / 2, unit="volts", conversion=2e-6, offset=8e-6))

    recording = read(path)

    np.testing.assert_allclose(recording.signals.read_channel(0), LINE, rtol=1e-6, atol=1e-4)
    assert (recording.channels[0].muscle.key, recording.channels[0].side) == ("FDI", "right")
    assert recording.start == "2026-01-02T00:00:00+00:00"


def test_stimuli_come_from_a_table_that_describes_them_and_count_from_the_first_sample(tmp_path):
    path = write(
        tmp_path / "a.nwb", emg(), intervals=[stimuli(intensity_mso=[50.0, 60.0, 70.0]), stimuli("rest_periods")]
    )

    recording = read(path)

    assert [event.stimulus.intensity_mso for event in recording.events] == [50, 60, 70]
    np.testing.assert_allclose([event.onset_s for event in recording.events], SESSION.column("onset_s"))
    assert "start_time of intervals/stimuli is taken as the onset of the test pulse" in recording.notes


def test_two_tables_of_stimuli_are_refused(tmp_path):
    same = {"intensity_mso": [50.0, 60.0, 70.0]}
    path = write(tmp_path / "a.nwb", emg(), intervals=[stimuli(**same), stimuli("pulses", **same)])

    with pytest.raises(RecordingError, match="several tables list stimuli"):
        read(path)


def test_a_trigger_of_its_own_rate_or_texts_tell_where_there_is_no_table(tmp_path):
    level = np.zeros(round(SESSION.seconds * 1000))
    for stim in SESSION.stimuli:
        level[round(stim.onset_s * 1000) :][:10] = 1
    trigger = TimeSeries(name="TTL", data=level, unit="a.u.", rate=1000.0, starting_time=5.0)
    texts = [(5 + stim.onset_s, stim.text) for stim in SESSION.stimuli]
    with pytest.warns(UserWarning, match="deprecated"):
        series = AnnotationSeries(name="notes", data=[text for _, text in texts], timestamps=[at for at, _ in texts])

    both = read(write(tmp_path / "both.nwb", emg(), trigger, series))
    noted = read(write(tmp_path / "noted.nwb", emg(), notes=texts))

    assert {event.pulse_from for event in both.events} == {"trigger"}
    assert {event.pulse_from for event in noted.events} == {"annotation"}
    for recording in (both, noted):
        np.testing.assert_allclose([event.onset_s for event in recording.events], SESSION.column("onset_s"), atol=1e-3)
        assert [event.stimulus.intensity_mso for event in recording.events] == SESSION.column("mso").tolist()


def test_times_with_a_gap_are_two_pieces(tmp_path):
    stamps = 5 + np.arange(LINE.size) / 2000
    stamps[8000:] += 0.75
    path = write(tmp_path / "a.nwb", TimeSeries(name="EMG FDI", data=LINE, unit="uV", timestamps=stamps))

    recording = read(path)

    assert recording.notes[-1] == "series EMG FDI has 1 gap; no sweep is joined across"
    assert recording.signals.timelines[0].start_s.tolist() == pytest.approx([0, 4.75])


@pytest.mark.parametrize(
    ("series", "what"),
    [
        (lambda: emg(name="torque", unit="Nm"), "no EMG channel"),
        (lambda: emg(unit="furlong"), "unit of the signal is not known"),
        (lambda: emg(data=np.zeros((10, 20, 3))), "has 3 axes"),
        (lambda: emg(data=np.zeros(100)), "is constant"),
        (
            lambda: emg(timestamps=5 - np.arange(LINE.size) / 2000, rate=None, starting_time=None),
            "times do not run forward",
        ),
    ],
)
def test_what_cannot_be_believed_is_refused(tmp_path, series, what):
    with pytest.raises(RecordingError, match=what):
        read(write(tmp_path / "a.nwb", series()))


def test_a_file_whose_rate_was_lost_is_refused(tmp_path):
    path = write_nwb(tmp_path / "a.nwb", SESSION)
    with h5py.File(path, "a") as file:
        file["acquisition/EMG/starting_time"].attrs["rate"] = 0.0

    with pytest.raises(RecordingError, match="sampling rate of series EMG is not known"):
        read(path)


def test_sweeps_that_the_product_shared_are_read_back(tmp_path):
    session = make_session(9)
    sweeps = [
        Sweep(
            samples_uv=session.sweeps_uv()[:, number].astype(np.float32),
            rate_hz=2000.0,
            onset_sample=500,
            channels=session.labels,
        )
        for number in range(len(session.stimuli))
    ]
    events = [
        StimulusEvent(
            sweep=number,
            onset_s=np.nan,
            stimulus=Stimulus.single(stim.mso),
            pulse_from="events",
            session_s=60 + stim.onset_s,
        )
        for number, stim in enumerate(session.stimuli, start=1)
    ]
    shared = SweepsToWrite(
        recording="a",
        participant="P7",
        session="1",
        start="2026-01-02T00:00:00+00:00",
        sweeps=sweeps,
        events=events,
        facts={},
    )

    recording = read(share_nwb(tmp_path / "a.nwb", shared, title="invented", person={"species": "Homo sapiens"}))

    assert [channel.name for channel in recording.channels] == list(session.labels)
    assert [event.stimulus.intensity_mso for event in recording.events] == session.column("mso").tolist()
    batch = recording.signals.cut(1, recording.events, 100, 100)
    np.testing.assert_array_equal(batch.samples_uv, np.stack([sweep.samples_uv[1, 300:701] for sweep in sweeps]))
