"""The scenario of the demonstration is complete, the same for a seed, and holds the trouble it promises."""

import hashlib
from collections import Counter
from itertools import pairwise

import numpy as np
import pytest

from decussa.source.virtual.person import VirtualParticipant
from decussa.source.virtual.rowers import SESSIONS, rowers, rowers_participants, rowers_runs


@pytest.fixture(scope="module")
def runs():
    """Everything about each run, with what is needed of its samples."""
    found = []
    for run in rowers_runs(0):
        size = run.samples_uv.shape
        clipped = [
            float(np.abs(trace).max()) >= channel.high_uv
            for trace, channel in zip(run.samples_uv, run.channels, strict=True)
        ]
        found.append((run, size, clipped, hashlib.sha256(run.samples_uv.tobytes()).hexdigest()))
        object.__setattr__(run, "samples_uv", np.empty((0, 0), dtype=np.float32))
    return found


def test_three_rowers_have_three_runs_in_each_of_two_sessions(runs):
    counted = Counter((run.participant, run.session) for run, *_ in runs)

    assert counted == {(label, session): 3 for label in ("R01", "R02", "R03") for session in SESSIONS}


def test_a_seed_gives_the_same_recordings(runs):
    again = next(rowers_runs(0))

    assert hashlib.sha256(again.samples_uv.tobytes()).hexdigest() == runs[0][-1]
    assert len({digest for *_, digest in runs}) == len(runs)


def test_every_condition_has_its_planned_number_of_trials_and_is_described(runs):
    for run, *_ in runs:
        counted = Counter(event.condition for event in run.events)
        assert set(counted) == set(run.conditions)
        if run.task == "hand":
            assert {counted[name] for name in ("test", "SICI", "ICF", "LICI")} == {10}
            assert {event.stimulus.isi_ms for event in run.events if event.condition == "LICI"} == {100.0}
        if run.task == "lumbar":
            assert {counted[name] for name in ("test", "SICI", "ICF")} == {10}
            assert counted["single"] == 8


def test_stimuli_are_five_seconds_or_more_apart_and_inside_the_recording(runs):
    for run, (_, n_samples), *_ in runs:
        onsets = np.array([event.onset_s for event in run.events])
        assert np.diff(onsets).min() >= 5.0 - 1e-9
        assert onsets[-1] < n_samples / run.rate_hz


def test_a_paired_block_opens_with_the_test_pulse_alone(runs):
    for run, *_ in runs:
        paired = [event for event in run.events if event.block == "paired"]
        assert not paired or paired[0].condition == "test"


def test_runs_of_a_rower_follow_each_other_in_time(runs):
    for label in ("R01", "R02", "R03"):
        own = [(run.start, n_samples / run.rate_hz) for run, (_, n_samples), *_ in runs if run.participant == label]
        for (start, seconds), (following, _) in pairwise(own):
            assert (following - start).total_seconds() > seconds


def test_the_data_set_stays_small(runs):
    # BDF+ takes three bytes a sample.
    assert sum(3 * n_channels * n_samples for _, (n_channels, n_samples), *_ in runs) < 160e6


def test_the_difficult_rower_has_an_m_wave_beyond_the_range_before_and_not_after(runs):
    clipped = {run.session: flags[0] for run, _, flags, _ in runs if run.participant == "R03" and run.task == "hand"}

    assert clipped["before"]
    assert not clipped["after"]


def test_the_first_two_rowers_answer_in_the_trunk_and_the_third_does_not():
    for rower in rowers(0):
        person = VirtualParticipant(rower.seed, "lumbar", state=rower.before)
        active = person.truth.muscles["LES right"].active_threshold_mso
        assert (active < 90) == (rower.label != "R03")


def test_the_hour_weakens_the_trunk_and_spares_the_hand():
    for rower in rowers(0):
        for protocol, channel, least, most in (("hand", "FDI right", 1.0, 1.02), ("lumbar", "LES right", 1.04, 1.08)):
            before = VirtualParticipant(rower.seed, protocol, state=rower.before).truth.muscles[channel]
            after = VirtualParticipant(rower.seed, protocol, state=rower.after).truth.muscles[channel]
            assert least < after.rest_threshold_mso / before.rest_threshold_mso < most


def test_participants_are_described_without_a_name():
    rows = rowers_participants(0)

    assert [row["participant_id"] for row in rows] == ["R01", "R02", "R03"]
    assert all(set(row) == {"participant_id", "age", "sex", "handedness", "height"} for row in rows)
    assert all(18 <= row["age"] < 89 and 145 < row["height"] < 205 for row in rows)
