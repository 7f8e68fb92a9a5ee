"""Onset and silence by the models: known times are found, intervals hold them, and what must not matter does not."""

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from decussa.measuring.latency import onset_latency
from decussa.measuring.silent_period import silent_period

RATE_HZ, ONSET_SAMPLE = 4000, 600


def response(at_ms, size_uv, rate_hz=RATE_HZ, n_samples=2000, onset_sample=ONSET_SAMPLE):
    """A biphasic response with a finite, smooth start; not a shape the model knows."""
    time_ms = (np.arange(n_samples) - onset_sample) * 1e3 / rate_hz - at_ms
    inside = (time_ms > 0) & (time_ms < 14)
    wave = np.where(inside, np.sin(2 * np.pi * time_ms / 14) * np.abs(np.sin(np.pi * time_ms / 14)) ** 1.3, 0.0)
    return size_uv * wave / np.ptp(wave)


def noise(rng, rms_uv, n_samples=2000):
    band = butter(2, (15, 900), "bandpass", fs=RATE_HZ, output="sos")
    raw = sosfilt(band, rng.standard_normal(n_samples + 500))[500:]
    return rms_uv * raw / raw.std()


def test_a_known_onset_is_found_and_held_by_its_interval():
    rng = np.random.default_rng(3)
    errors, held = [], 0
    for _ in range(60):
        true_ms = rng.uniform(16, 28)
        sweep = (response(true_ms, 600) + noise(rng, 4)).astype(np.float32)
        found = onset_latency(sweep, RATE_HZ, ONSET_SAMPLE)
        errors.append(found.value - true_ms)
        held += found.low <= true_ms <= found.high

    assert abs(np.median(errors)) < 0.5
    assert np.median(np.abs(errors)) < 1.0
    assert held >= 52  # a 95 % interval holds fewer than 52 of 60 with a probability of 0.4 %


def test_no_response_has_no_onset_and_says_so():
    found = onset_latency(noise(np.random.default_rng(4), 5).astype(np.float32), RATE_HZ, ONSET_SAMPLE)

    assert np.isnan(found.value)
    assert found.reason


@pytest.mark.parametrize("scale", [0.5, 4.0])
def test_scaling_a_sweep_leaves_the_onset_alone(scale):
    sweep = response(21, 500) + noise(np.random.default_rng(5), 4)
    plain, scaled = (onset_latency(each.astype(np.float32), RATE_HZ, ONSET_SAMPLE) for each in (sweep, scale * sweep))

    assert scaled.value == pytest.approx(plain.value, abs=0.02)


def test_shifting_a_sweep_shifts_the_onset():
    sweep = (response(21, 500) + noise(np.random.default_rng(6), 4)).astype(np.float32)
    plain = onset_latency(sweep, RATE_HZ, ONSET_SAMPLE)
    moved = onset_latency(sweep, RATE_HZ, ONSET_SAMPLE - 8)

    assert moved.value - plain.value == pytest.approx(2.0, abs=0.3)


@pytest.mark.parametrize("fill", [np.nan, np.inf, 0.0, 7.5])
def test_samples_that_say_nothing_give_no_onset(fill):
    found = onset_latency(np.full(2000, fill, np.float32), RATE_HZ, ONSET_SAMPLE)

    assert np.isnan(found.value)
    assert found.reason


def test_what_comes_long_after_a_weak_response_does_not_move_its_start():
    rng = np.random.default_rng(12)
    moved = []
    for _ in range(40):
        one, other = (response(20, 60) + noise(rng, 4) for _ in range(2))
        late = ONSET_SAMPLE + int(46 * RATE_HZ / 1e3)  # 12 ms after the end of the response
        swapped = np.concatenate([one[:late], other[late:]])
        found = [onset_latency(each.astype(np.float32), RATE_HZ, ONSET_SAMPLE).value for each in (one, swapped)]
        moved.append(abs(found[1] - found[0]))

    assert np.median(moved) < 0.01
    assert np.mean(np.array(moved) < 0.1) >= 0.9  # not all: it still says whether a level wanders


def silenced(rng, end_ms, ramp_ms):
    """A contraction of 60 µV with a response at 20 ms, silence after it, and a return of activity from ``end_ms``."""
    time_ms = (np.arange(2400) - ONSET_SAMPLE) * 1e3 / RATE_HZ
    level = np.ones(2400)
    level[(time_ms >= 20) & (time_ms < end_ms)] = 0.0
    rise = (time_ms >= end_ms) & (time_ms < end_ms + ramp_ms)
    level[rise] = (time_ms[rise] - end_ms) / ramp_ms
    return (level * noise(rng, 60, 2400) + noise(rng, 3, 2400) + response(20, 3000, n_samples=2400)).astype(np.float32)


def test_a_known_end_of_silence_is_found_and_mostly_held():
    rng = np.random.default_rng(9)
    errors, held = [], 0
    for _ in range(40):
        end_ms = rng.uniform(110, 180)
        found = silent_period(silenced(rng, end_ms, 1.0), RATE_HZ, ONSET_SAMPLE)
        errors.append(found.end.value - end_ms)
        held += found.end.low <= end_ms <= found.end.high

    assert np.median(np.abs(errors)) < 2.0
    assert held >= 34  # a 95 % interval holds fewer than 34 of 40 with a probability of 0.3 %


def test_several_sweeps_together_narrow_the_interval():
    rng = np.random.default_rng(10)
    sweeps = np.stack([silenced(rng, 140, 15) for _ in range(8)])
    one, many = silent_period(sweeps[0], RATE_HZ, ONSET_SAMPLE), silent_period(sweeps, RATE_HZ, ONSET_SAMPLE)

    assert many.end.high - many.end.low < one.end.high - one.end.low


def test_rest_has_no_silent_period_and_says_so():
    sweep = (response(20, 800, n_samples=2400) + noise(np.random.default_rng(11), 3, 2400)).astype(np.float32)
    found = silent_period(sweep, RATE_HZ, ONSET_SAMPLE)

    assert np.isnan(found.end.value)
    assert found.end.reason


@pytest.mark.parametrize("size_uv", [1e5, 1e7])
def test_a_response_beyond_any_amplifier_has_its_onset_too(size_uv):
    sweep = (response(21, size_uv) + noise(np.random.default_rng(8), 4)).astype(np.float32)

    assert onset_latency(sweep, RATE_HZ, ONSET_SAMPLE).value == pytest.approx(21, abs=1.5)
