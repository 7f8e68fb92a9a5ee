"""From a recording to its trial table: every stimulus once for each muscle it can reach, judged, with what made it."""

import math
from dataclasses import replace

import numpy as np
import pytest

from decussa.batch.measure import measure_recording
from decussa.batch.settings import MeasureSettings
from decussa.model.errors import RecordingError
from decussa.model.muscle import muscle_and_side
from decussa.model.recording import Channel, Recording, StimulusEvent, SweepBatch
from decussa.model.stimulus import Stimulus
from decussa.model.table import TRIAL_NAMES
from decussa.source.virtual.person import VirtualParticipant


class Held:
    """Sweeps in memory, as a file would give them; ``shift_ms`` moves every true onset, ``gaps`` are not held."""

    def __init__(self, sweeps, shift_ms=0.0, gaps=()):
        self.sweeps, self.shift_ms, self.gaps = sweeps, shift_ms, gaps

    def cut(self, channel, events, before_ms, after_ms):
        before, after = (math.ceil(span * 5) for span in (before_ms, after_ms))
        cut = np.full((len(events), before + after), np.nan, np.float32)
        for row, event in enumerate(events):
            if event.sweep in self.gaps:
                continue
            sweep = self.sweeps[event.sweep - 1]
            first = sweep.onset_sample - before
            samples = sweep.samples_uv[channel]
            start, stop = max(first, 0), min(first + before + after, samples.size)
            cut[row, start - first : stop - first] = samples[start:stop]
        shifts = np.full(len(events), self.shift_ms)
        return SweepBatch(samples_uv=cut, rate_hz=5000.0, onset_sample=before, shift_ms=shifts)


def recording(stimuli, *, protocol="hand", seed=3, **event):
    """Deliver ``stimuli`` to a virtual participant and hold the sweeps as a recording."""
    person = VirtualParticipant(seed, protocol)
    contraction_pct = event.get("contraction_pct", 0.0)
    sweeps = [person.deliver(stimulus, contraction_pct=contraction_pct) for stimulus in stimuli]
    events = tuple(
        StimulusEvent(sweep=number, onset_s=6.0 * number, stimulus=stimulus, pulse_from="events", **event)
        for number, stimulus in enumerate(stimuli, start=1)
    )
    return Recording(
        name="r", path="r.bdf", channels=person.channels, events=events, signals=Held(sweeps), participant="P1"
    )


def test_there_is_one_row_for_each_stimulus_and_muscle_in_order():
    made = recording([Stimulus.single(80)] * 5, protocol="lumbar", contraction_pct=10.0)
    trials = measure_recording(made)

    assert list(trials.columns) == list(TRIAL_NAMES)
    assert trials["sweep"].tolist() == sorted(trials["sweep"].tolist())
    assert trials.loc[trials["sweep"] == 1, "side"].tolist() == [channel.side for channel in made.channels]
    assert set(trials["participant"]) == {"P1"}


def test_a_nerve_pulse_is_measured_in_its_own_window():
    trials = measure_recording(recording([Stimulus.nerve(25)]))

    assert (trials["window_start_ms"].item(), trials["window_end_ms"].item()) == (2, 20)
    assert trials["amplitude_uv"].item() > 5000


def test_a_stimulus_that_names_its_muscle_is_measured_there_only():
    trials = measure_recording(recording([Stimulus.single(80)], protocol="lumbar", muscle="LES left"))

    assert trials["side"].tolist() == ["left"]


def test_a_stimulus_for_a_muscle_that_was_not_recorded_is_refused():
    with pytest.raises(RecordingError, match="stimulus 1 names a muscle that was not recorded"):
        measure_recording(recording([Stimulus.single(50)], muscle="TA"))


def test_a_silent_period_is_measured_during_contraction_only():
    active = measure_recording(recording([Stimulus.single(65)] * 4, contraction_pct=15.0))
    rest = measure_recording(recording([Stimulus.single(65)] * 4, contraction_pct=0.0))

    assert active["silent_period_ms"].notna().any()
    assert rest["silent_period_ms"].isna().all()


def test_a_contraction_that_nobody_mentions_is_seen_in_the_background():
    made = recording([Stimulus.single(65)] * 6, contraction_pct=15.0)
    unsaid = replace(made, events=tuple(replace(event, contraction_pct=math.nan) for event in made.events))

    assert measure_recording(unsaid)["silent_period_ms"].notna().any()


def test_a_window_can_be_given_for_a_muscle_and_the_table_says_so():
    trials = measure_recording(recording([Stimulus.single(60)]), MeasureSettings(windows={"FDI": (18.0, 45.0)}))

    assert (trials["window_start_ms"].item(), trials["window_end_ms"].item()) == (18, 45)
    assert trials["method"].item().endswith("window as asked")


def test_the_interval_that_was_delivered_is_measured():
    trials = measure_recording(recording([Stimulus.paired(40, 60, 12), Stimulus.paired(60, 60, 100)]))

    assert trials["isi_measured_ms"].tolist() == pytest.approx([12, 100], abs=0.2)


def test_chunks_change_no_number(monkeypatch):
    made = recording([Stimulus.single(level) for level in (45, 50, 55, 60, 65)])
    whole = measure_recording(made)
    monkeypatch.setattr("decussa.batch.measure.CHUNK", 2)

    assert measure_recording(made).equals(whole)


def test_times_count_from_the_true_onset_of_the_pulse():
    made = recording([Stimulus.single(65)] * 3)
    moved = replace(made, signals=Held(made.signals.sweeps, shift_ms=0.08))

    plain, shifted = (measure_recording(each)["latency_ms"].to_numpy() for each in (made, moved))
    assert shifted == pytest.approx(plain - 0.08, nan_ok=True)


def test_a_sweep_that_the_recording_does_not_hold_is_rejected_not_lost():
    made = recording([Stimulus.single(60)] * 2)
    trials = measure_recording(replace(made, signals=Held(made.signals.sweeps, gaps=(2,))))

    assert trials["verdict"].tolist()[1] == "reject"
    assert trials["rule"].tolist()[1] == "incomplete"


@pytest.mark.parametrize(
    ("channels", "events", "said"),
    [
        ((), 1, "no EMG channel"),
        ((Channel(name="FDI", kind="emg", rate_hz=5000.0, muscle=muscle_and_side("FDI")[0]),), 0, "no stimulus found"),
    ],
)
def test_a_recording_without_emg_or_stimuli_is_refused_in_a_sentence(channels, events, said):
    made = recording([Stimulus.single(60)])

    with pytest.raises(RecordingError, match=said):
        measure_recording(replace(made, channels=channels, events=made.events[:events]))


def test_the_first_trial_of_a_block_is_flagged():
    trials = measure_recording(recording([Stimulus.single(65)] * 6, block="single"))

    assert trials["rule"].tolist()[0] == "first of block"
    assert "first of block" not in trials["rule"].tolist()[1:]
