"""A heart is found where it beats, also beneath stimuli; muscle alone has none."""

import numpy as np
import pytest

from decussa.measuring.heartbeat import SLOW_HZ, block_samples, find_heart, shows_heart, slow_copy

RATE_HZ = 2000.0
SECONDS = 120


def heart_and_noise(seed, *, height_uv=150.0, pace_s=0.85, unevenness=0.03, noise_uv=10.0, width_s=0.012):
    """Beats of a bell's shape at an uneven pace over white noise; returns the trace and the times of the beats."""
    rng = np.random.default_rng(seed)
    beats_s = np.cumsum(rng.normal(pace_s, unevenness * pace_s, int(SECONDS / pace_s)))
    beats_s = beats_s[beats_s < SECONDS - 0.5]
    time_s = np.arange(int(SECONDS * RATE_HZ)) / RATE_HZ
    trace = rng.normal(0, noise_uv, time_s.size)
    for beat_s in beats_s:
        near = np.abs(time_s - beat_s) < 0.1
        trace[near] += height_uv * np.exp(-0.5 * ((time_s[near] - beat_s) / width_s) ** 2)
    return trace, beats_s


def found_in(trace, left_out=()):
    return find_heart(slow_copy(trace, RATE_HZ), RATE_HZ / block_samples(RATE_HZ), np.array(left_out).reshape(-1, 2))


@pytest.mark.parametrize("height_uv", [60.0, -150.0, 400.0])
@pytest.mark.parametrize("pace_s", [0.5, 0.85, 1.2])
def test_beats_are_found_where_they_are(height_uv, pace_s):
    trace, beats_s = heart_and_noise(1, height_uv=height_uv, pace_s=pace_s)

    heart = found_in(trace)

    assert heart.times_s == pytest.approx(beats_s, abs=0.008)
    assert 0.01 < heart.before_s < 0.04
    assert 0.01 < heart.after_s < 0.04


def test_a_beat_beneath_a_stimulus_is_put_between_its_neighbours():
    trace, beats_s = heart_and_noise(2)
    hidden = beats_s[10:100:12]
    spans = [(beat_s - 0.03, beat_s + 0.07) for beat_s in hidden]

    heart = found_in(trace, spans)

    assert heart.times_s.size == beats_s.size
    off_s = np.abs(heart.times_s - beats_s)
    assert off_s.max() < 0.1
    # The uncertainty is meant as two standard deviations: nearly all hidden beats lie within it.
    near = [int(np.abs(heart.times_s - beat_s).argmin()) for beat_s in hidden]
    assert np.mean([off_s[place] <= heart.unsure_s[place] for place in near]) > 0.8
    assert heart.unsure_s[near].min() > 0.01


def test_spans_that_a_beat_reaches_into_are_told():
    trace, beats_s = heart_and_noise(3)
    heart = found_in(trace)
    starts = np.array([beats_s[20] - 0.01, beats_s[30] + 0.2, beats_s[40] - 0.06])

    inside = heart.beat_in(starts, starts + 0.05)

    assert inside[0] == pytest.approx(beats_s[20], abs=0.008)
    assert np.isnan(inside[1])
    assert inside[2] == pytest.approx(beats_s[40], abs=0.008)


@pytest.mark.parametrize("seed", range(8))
def test_muscle_alone_has_no_heart(seed):
    rng = np.random.default_rng(seed)
    envelope = np.repeat(rng.choice([0.2, 1.0], SECONDS), int(RATE_HZ))

    assert found_in(rng.normal(0, 40, envelope.size) * envelope) is None


def test_bumps_without_a_pace_are_no_heart():
    trace, _ = heart_and_noise(4, unevenness=0.6, pace_s=1.3)

    assert found_in(trace) is None


def test_another_channel_shows_the_heart_or_does_not():
    lead, beats_s = heart_and_noise(5, height_uv=800.0)
    heart = found_in(lead)
    rng = np.random.default_rng(6)
    limb = rng.normal(0, 10, lead.size)
    trunk = limb + 0.1 * lead
    slow_hz = RATE_HZ / block_samples(RATE_HZ)

    assert shows_heart(slow_copy(trunk, RATE_HZ), slow_hz, heart)
    assert not shows_heart(slow_copy(limb, RATE_HZ), slow_hz, heart)
    assert slow_hz == SLOW_HZ
    assert beats_s.size > 100


def test_gaps_and_empty_channels_are_borne():
    trace, beats_s = heart_and_noise(7)
    trace[100_000:104_000] = np.nan

    assert found_in(trace).times_s.size >= beats_s.size - 4
    assert found_in(np.full(20_000, np.nan)) is None
    assert found_in(np.zeros(20_000)) is None
    assert found_in(np.zeros(3)) is None
