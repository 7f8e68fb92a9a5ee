"""Sweeps as they are drawn."""

import numpy as np
import pytest

from decussa.model.stimulus import Stimulus
from decussa.report.content import gather
from decussa.report.panels import mean_of
from decussa.report.traces import MOST_DRAWN, cut_traces, envelope
from tests.report.invented import Given, make_recording, measured


def _traces(given, span_ms=(-20.0, 80.0)):
    recording = make_recording([given])
    content = gather([recording], *measured(recording))
    return cut_traces(content.recordings, content.trials, span_ms)


def test_artifacts_of_both_pulses_are_marked_and_left_out():
    traces = _traces(Given("ICF", Stimulus.paired(40, 60, 12.0), 800))
    assert len(traces.artifacts_ms) == 2
    for (start, end), pulse_ms in zip(traces.artifacts_ms, (-12.0, 0.0), strict=True):
        assert start <= pulse_ms + 1.0 <= end
    at_test = (traces.time_ms >= 0.5) & (traces.time_ms <= 1)
    assert not traces.shown[at_test].any()
    assert traces.shown[traces.time_ms > 15].all()


def test_the_response_is_drawn_at_its_place_and_height():
    traces = _traces(Given("single", Stimulus.single(60), 900, times=20))
    middle = mean_of(traces)
    assert traces.time_ms[np.argmax(np.where(traces.shown, middle, 0))] == pytest.approx(25.0, abs=0.6)
    assert np.ptp(middle[traces.shown]) == pytest.approx(900, rel=0.15)


def test_of_very_many_sweeps_an_even_choice_is_drawn():
    assert len(_traces(Given("single", Stimulus.single(60), 900, times=150)).samples_uv) == MOST_DRAWN


def test_without_the_recording_there_is_nothing_to_draw():
    recording = make_recording([Given("single", Stimulus.single(60), 900)])
    content = gather([], *measured(recording))
    assert cut_traces(content.recordings, content.trials, (-20.0, 80.0)) is None


def test_a_thinned_trace_keeps_the_extremes_of_every_stretch_and_its_gaps():
    rng = np.random.default_rng(1)
    time_ms, row = np.arange(4000) / 10, rng.normal(0, 50, 4000)
    row[1000:1010] = np.nan
    x, y = envelope(time_ms, row, 100)
    assert x.size <= 2 * 100 + 40
    assert (np.diff(x) >= 0).all()
    assert np.nanmax(y) == np.nanmax(row)
    assert np.nanmin(y) == np.nanmin(row)
    assert np.isnan(y).any()
    for start in (0, 400, 2000):
        stretch = (x >= time_ms[start]) & (x <= time_ms[start + 39])
        assert y[stretch].max() == row[start : start + 40].max()


def test_a_trace_that_is_short_enough_is_left_alone():
    time_ms, row = np.arange(100.0), np.arange(100.0)
    assert envelope(time_ms, row, 60)[1] is row
