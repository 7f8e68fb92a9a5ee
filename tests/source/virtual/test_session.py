"""A run is one continuous recording in which every stimulus of the schedule is found at its time."""

import numpy as np
import pytest

from decussa.model.errors import UsageError
from decussa.model.stimulus import Stimulus
from decussa.source.virtual.mishap import MISHAPS, Mishap
from decussa.source.virtual.person import VirtualParticipant
from decussa.source.virtual.response import Lapse
from decussa.source.virtual.session import Planned, record_run, run_channels

STRONG = Stimulus.single(75.0)


def around(samples, rate_hz, onset_s, from_ms, until_ms):
    return samples[..., round((onset_s + from_ms / 1e3) * rate_hz) : round((onset_s + until_ms / 1e3) * rate_hz)]


def test_every_stimulus_is_an_event_with_artifact_trigger_and_response():
    schedule = [
        Planned(onset_s=onset_s, stimulus=STRONG, condition="single", block="a") for onset_s in (4.0, 9.3, 14.71)
    ]
    person = VirtualParticipant(0)
    samples, rate_hz, events = record_run(person, schedule)

    assert samples.dtype == np.float32
    assert samples.shape == (len(run_channels(person)), 18 * rate_hz)
    assert [event.sweep for event in events] == [1, 2, 3]
    assert [event.onset_s for event in events] == [4.0, 9.3, 14.71]
    edges = np.flatnonzero(np.diff(samples[1]) > 0) + 1
    assert edges / rate_hz == pytest.approx([4.0, 9.3, 14.71], abs=1 / rate_hz)
    for event in events:
        assert np.abs(around(samples[0], rate_hz, event.onset_s, 0, 2)).max() > 300
        assert np.ptp(around(samples[0], rate_hz, event.onset_s, 15, 50)) > 500
        assert np.ptp(around(samples[0], rate_hz, event.onset_s, -500, -1)) < 60


def test_a_stimulus_may_lie_between_two_samples():
    first, *_ = record_run(VirtualParticipant(0), [Planned(onset_s=4.0, stimulus=STRONG)])
    later, *_ = record_run(VirtualParticipant(0), [Planned(onset_s=4.0001, stimulus=STRONG)])
    window = slice(20_080, 20_200)
    moved = later[0, window] - first[0, window]

    # Half a sample later: the difference is half of the slope, with the sign turned, but for noise of a few µV.
    slope = np.gradient(first[0].astype(float))[window]
    assert np.corrcoef(moved, -0.5 * slope)[0, 1] > 0.99


def test_a_contraction_is_held_around_its_stimulus_and_released():
    planned = [Planned(onset_s=onset_s, stimulus=STRONG, contraction_pct=15.0) for onset_s in (5.0, 12.0)]
    samples, rate_hz, _ = record_run(VirtualParticipant(0), planned)

    assert np.std(around(samples[0], rate_hz, 5.0, -2000, -10)) > 15
    assert np.std(around(samples[0], rate_hz, 5.0, 1600, 3600)) < 6


def test_lapses_leave_their_traces_and_the_event_stays():
    planned = [
        Planned(onset_s=4.0, stimulus=STRONG),
        Planned(onset_s=9.0, stimulus=STRONG, mishap=Mishap(lapse=Lapse(fired=False))),
        Planned(onset_s=14.0, stimulus=STRONG, mishap=Mishap(lapse=Lapse(reach=0.5))),
        Planned(onset_s=19.0, stimulus=STRONG, mishap=Mishap(lapse=Lapse(tension_pct=10.0))),
        Planned(onset_s=24.0, stimulus=Stimulus.paired(40.0, 75.0, 3.0), mishap=Mishap(lapse=Lapse(isi_error_ms=1.0))),
    ]
    samples, rate_hz, events = record_run(VirtualParticipant(0), planned)

    assert len(events) == 5
    assert events[4].stimulus.isi_ms == 3
    missed, slipped, tense = (samples[0], samples[0], samples[0])
    assert np.abs(around(missed, rate_hz, 9.0, -5, 60)).max() < 40
    assert np.abs(around(slipped, rate_hz, 14.0, 0, 2)).max() > 300
    assert np.ptp(around(slipped, rate_hz, 14.0, 15, 50)) < 60
    assert np.std(around(tense, rate_hz, 19.0, -300, -10)) > 10
    edges = np.flatnonzero(np.diff(samples[1]) > 0) + 1
    assert edges[-2:] / rate_hz == pytest.approx([24.0 - 0.004, 24.0], abs=1 / rate_hz)


def test_runs_are_reproducible_and_go_on_counting():
    schedule = [Planned(onset_s=4.0, stimulus=STRONG), Planned(onset_s=9.0, stimulus=STRONG)]
    person, again = VirtualParticipant(5, "lumbar"), VirtualParticipant(5, "lumbar")
    first, second = record_run(person, schedule)[0], record_run(person, schedule)[0]

    assert np.array_equal(first, record_run(again, schedule)[0])
    assert not np.array_equal(first, second)
    assert person.number == 4


@pytest.mark.parametrize("onsets", [(), (1.0,), (4.0, 6.0), (9.0, 4.0)])
def test_a_schedule_that_is_empty_or_too_close_is_refused(onsets):
    with pytest.raises(UsageError):
        record_run(VirtualParticipant(0), [Planned(onset_s=onset_s, stimulus=STRONG) for onset_s in onsets])


def test_a_missed_trigger_leaves_the_pulse_without_its_mark():
    planned = [Planned(onset_s=4.0, stimulus=STRONG, mishap=MISHAPS["trigger missed"])]
    samples, rate_hz, _ = record_run(VirtualParticipant(0), planned)

    assert not samples[1].any()
    assert np.ptp(around(samples[0], rate_hz, 4.0, 15, 50)) > 500


def test_an_electrode_that_is_off_shows_mains_and_hardly_any_muscle():
    planned = [Planned(onset_s=4.0, stimulus=STRONG, mishap=MISHAPS["electrode off"])]
    samples, rate_hz, _ = record_run(VirtualParticipant(0), planned)

    assert np.ptp(around(samples[0], rate_hz, 4.0, -200, -10)) > 1_000


def test_a_stimulus_is_the_same_by_its_number_wherever_it_stands_in_a_run():
    later = Planned(onset_s=9.0, stimulus=STRONG, number=7)
    with_others, rate_hz, _ = record_run(VirtualParticipant(0), [Planned(onset_s=4.0, stimulus=STRONG), later])
    alone, *_ = record_run(VirtualParticipant(0), [later])
    first, second = (around(samples[0], rate_hz, 9.0, 15, 50) for samples in (with_others, alone))

    assert np.corrcoef(first, second)[0, 1] > 0.99
