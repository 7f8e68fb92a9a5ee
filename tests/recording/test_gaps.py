"""Recordings with gaps: nothing is joined across one, and what lies behind it keeps its time."""

import numpy as np
import pytest

from decussa.batch.measure import measure_recording
from decussa.batch.settings import MeasureSettings
from decussa.model.errors import RecordingError
from decussa.recording.read import read
from decussa.recording.timeline import Timeline, timeline_of_stamps
from tests.recording.foreign import Stim, make_discontinuous, make_session, write_edf, write_xdf

QUICK = MeasureSettings(onset="threshold", intervals=False)


@pytest.mark.parametrize("ending", [".edf", ".bdf"])
def test_what_lies_behind_a_gap_is_found_at_its_own_time(tmp_path, ending):
    session = make_session(3)
    path = make_discontinuous(write_edf(tmp_path / f"a{ending}", session), {3: 2.5})

    recording = read(path)

    moved = [stim.onset_s + 2.5 * (stim.onset_s >= 3) for stim in session.stimuli]
    np.testing.assert_allclose([event.onset_s for event in recording.events], moved, atol=1e-4)
    assert recording.duration_s == session.seconds + 2.5
    assert recording.notes == ("the recording has 1 gap; no sweep is joined across",)
    for stim, event in zip(session.stimuli, recording.events, strict=True):
        first = round(stim.onset_s * session.rate_hz) - 100
        batch = recording.signals.cut(0, [event], 50, 50)
        np.testing.assert_array_equal(batch.samples_uv[0], session.samples_uv[0, first : first + 201])


@pytest.mark.parametrize(("gap_at", "held"), [(4, "after"), (5, "before")])
def test_a_sweep_across_a_gap_holds_one_side_only_and_is_not_accepted(tmp_path, gap_at, held):
    session = make_session(3, labels=("FDI_R",))
    late = [Stim(stim.onset_s, "single", 50) for stim in session.stimuli]
    late[1] = Stim(4.04 if held == "after" else 4.98, "single", 50)
    session = type(session)(session.samples_uv, session.labels, session.rate_hz, tuple(late), session.seconds)
    path = make_discontinuous(write_edf(tmp_path / "a.edf", session), {gap_at: 1.0})

    recording = read(path)
    (sweep,) = recording.signals.cut(0, recording.events[1:2], 100, 100).samples_uv
    trials = measure_recording(recording, QUICK)

    missing = np.flatnonzero(np.isnan(sweep))
    edge = 100 - 40 if held == "after" else 100 + 20
    span = (0, 2 * edge) if held == "after" else (2 * edge, sweep.size)
    np.testing.assert_array_equal(missing, np.arange(*span))
    assert trials["verdict"][1] != "accept"
    assert np.isnan(trials["amplitude_uv"][1])
    assert trials["reason"][1]
    assert trials["amplitude_uv"].drop(1).notna().all()


def test_samples_that_a_stream_lost_are_a_gap(tmp_path):
    session = make_session(4)
    lost = slice(round(3.0 * session.rate_hz), round(3.1 * session.rate_hz))
    recording = read(write_xdf(tmp_path / "a.xdf", session, lost=lost))

    assert "stream arm has 1 gap; no sweep is joined across" in recording.notes
    for stim, event in zip(session.stimuli, recording.events, strict=True):
        assert abs(event.onset_s - stim.onset_s) < 1e-6
        first = round(stim.onset_s * session.rate_hz) - 100
        batch = recording.signals.cut(1, [event], 50, 50)
        np.testing.assert_array_equal(
            batch.samples_uv[0], session.samples_uv[1, first : first + 201].astype(np.float32)
        )


def test_an_onset_a_rounding_error_before_a_run_belongs_to_it():
    timeline = Timeline(1000.0, 20, np.array([0, 10]), np.array([0.0, 5.0]))

    placed = timeline.place([5.0 - 1e-9, 4.0], 2, 2)

    assert placed.first.tolist() == [8, 3998]
    assert placed.low.tolist() == [10, 0]
    np.testing.assert_allclose(timeline.times_s(np.array([9, 10, 19])), [0.009, 5.0, 5.009])
    assert timeline.end_s == 5.01


def test_gaps_longer_than_any_session_are_refused(tmp_path):
    path = make_discontinuous(write_edf(tmp_path / "a.edf", make_session(3)), {3: 200_000.0})

    with pytest.raises(RecordingError, match=r"gaps are too long to be of one session.*found 55.5556 hours"):
        read(path)


@pytest.mark.parametrize(
    ("stamps", "what"),
    [
        ([0.0, 0.1, np.nan], "times are missing"),
        ([0.0, 0.0, 0.0, 0.0], "do not run forward"),
        ([0.0, 1e-3, 2e-3, 1e300], "gaps are too long"),
        ([0.0, 1e-3, 2e-3, -5.0, -4.999], "time runs backwards"),
        ([0.0, 5.0, 10.0], "at an even rate"),
        ([3.0, 3.0, 3.0, 2.0], "do not run forward"),
    ],
)
def test_stamps_that_are_no_times_of_samples_are_refused(stamps, what):
    with pytest.raises(RecordingError, match=what):
        timeline_of_stamps(
            np.array(stamps), nominal_hz=np.nan if "forward" in what else 1000.0, tolerance_s=0.02, where="a"
        )
