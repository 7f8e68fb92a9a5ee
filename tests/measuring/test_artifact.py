"""Artifacts are found where they are, bridged, and leave responses alone."""

import numpy as np
import pytest
from numpy.testing import assert_array_equal

from decussa.measuring.artifact import SETTLED_MS, clean
from decussa.model.errors import UsageError
from tests.measuring.invented import ONSET, RATE_HZ, TIME_MS, artifact, noise, response


def test_an_artifact_starts_at_its_pulse_and_is_bridged_to_noise_level():
    rng = np.random.default_rng(0)
    sweeps = np.stack([noise(rng, rms_uv=3) + artifact(0, 5000) for _ in range(20)])

    cleaned = clean(sweeps, RATE_HZ, ONSET)

    assert_array_equal(cleaned.artifact_start_ms, 0.0)
    assert (cleaned.artifact_end_ms > 1.5).all()
    assert (cleaned.artifact_end_ms < 6).all()
    assert np.abs(cleaned.bridged_uv[:, ONSET - 5 : ONSET + 50]).max() < 25


def test_a_response_after_the_artifact_is_left_as_recorded():
    rng = np.random.default_rng(1)
    sweeps = np.stack([noise(rng, rms_uv=3) + artifact(0, 5000) + response(10, 3000) for _ in range(20)])

    cleaned = clean(sweeps, RATE_HZ, ONSET)
    late = TIME_MS >= 8.2

    assert (cleaned.artifact_end_ms <= 8.2).all()
    assert_array_equal(cleaned.bridged_uv[:, late], sweeps[:, late].astype(np.float32))


def test_without_an_artifact_nothing_is_found_and_nothing_changed():
    rng = np.random.default_rng(2)
    sweeps = np.stack([noise(rng) + response(18, 800) for _ in range(40)]).astype(np.float32)

    cleaned = clean(sweeps, RATE_HZ, ONSET)

    assert np.isnan(cleaned.artifact_start_ms).mean() >= 0.95
    untouched = np.isnan(cleaned.artifact_start_ms)
    assert_array_equal(cleaned.bridged_uv[untouched], sweeps[untouched])


@pytest.mark.parametrize("isi_ms", [1.0, 2.0, 3.0, 6.2, 12.0, 100.0])
def test_the_interval_between_two_artifacts_is_measured_within_its_tolerance(isi_ms):
    rng = np.random.default_rng(3)
    sweeps = np.stack([noise(rng, rms_uv=4) + artifact(-isi_ms, 2500) + artifact(0, 5000) for _ in range(10)])

    cleaned = clean(sweeps, RATE_HZ, ONSET, isi_ms=isi_ms)

    assert cleaned.isi_measured_ms == pytest.approx(isi_ms, abs=0.2)
    assert cleaned.first_start_ms == pytest.approx(-isi_ms, abs=0.21)


@pytest.mark.parametrize(("asked_ms", "given_ms"), [(3.0, 2.0), (3.0, 4.0), (12.0, 11.0), (100.0, 101.0)])
def test_a_wrong_interval_is_seen_to_be_wrong(asked_ms, given_ms):
    rng = np.random.default_rng(4)
    sweeps = np.stack([noise(rng, rms_uv=4) + artifact(-given_ms, 2500) + artifact(0, 5000) for _ in range(10)])

    assert clean(sweeps, RATE_HZ, ONSET, isi_ms=asked_ms).isi_measured_ms == pytest.approx(given_ms, abs=0.2)


def test_a_clipped_artifact_lasts_as_long_as_it_clips():
    rng = np.random.default_rng(5)
    clipping = (TIME_MS >= 0) & (TIME_MS < 4)
    sweep = np.where(clipping, 3276.7, noise(rng, rms_uv=3) + artifact(0, 200, tail_uv=100, tail_ms=1.0))

    cleaned = clean(sweep, RATE_HZ, ONSET, low_uv=-3276.8, high_uv=3276.7)

    assert cleaned.artifact_end_ms[0] >= 4.0


def test_a_slow_tail_is_removed_where_it_is_clear():
    rng = np.random.default_rng(6)
    tail = [noise(rng, rms_uv=3) + artifact(0, 5000, tail_uv=60, tail_ms=18) for _ in range(30)]

    cleaned = clean(np.stack(tail), RATE_HZ, ONSET)
    window = (TIME_MS >= 10) & (TIME_MS <= 50)
    left = np.abs(cleaned.bridged_uv[:, window].mean(axis=0)).max()

    assert (cleaned.tail_uv > 0).all()
    # 60 uV exp(-10 / 18) = 34 uV were there when the window opens; at least three quarters of it must be gone
    assert left < 34 / 4


def test_noise_drift_and_contraction_are_not_taken_for_a_tail():
    rng = np.random.default_rng(7)
    drift = 40 * np.sin(2 * np.pi * TIME_MS / 180)
    sweeps = np.stack([noise(rng, rms_uv=30) + drift + artifact(0, 5000) for _ in range(50)])

    assert (clean(sweeps, RATE_HZ, ONSET).tail_uv == 0).mean() >= 0.9


def test_at_most_one_millisecond_is_blanked_after_a_nerve_pulse():
    rng = np.random.default_rng(8)
    m_wave = np.where((TIME_MS > 1.5) & (TIME_MS < 9.5), 4000 * np.sin(2 * np.pi * (TIME_MS - 1.5) / 8), 0)
    sweeps = np.stack([noise(rng, rms_uv=3) + artifact(0, 3000) * (TIME_MS < 1) + m_wave for _ in range(10)])

    cleaned = clean(sweeps, RATE_HZ, ONSET, nerve=True)
    late = TIME_MS >= 1.2

    assert (cleaned.artifact_end_ms <= 1.2).all()
    assert_array_equal(cleaned.bridged_uv[:, late], sweeps[:, late].astype(np.float32))


@pytest.mark.parametrize("isi_ms", [None, 3.0, 12.0])
def test_what_comes_after_the_artifacts_have_settled_changes_nothing_before(isi_ms):
    rng = np.random.default_rng(10)
    first = 0.0 if isi_ms is None else artifact(-isi_ms, 4000, tail_uv=30)
    sweeps = np.stack([noise(rng, rms_uv=3) + first + artifact(0, 5000, tail_uv=60, tail_ms=18) for _ in range(30)])
    stop = ONSET + int(SETTLED_MS * RATE_HZ / 1e3) + 9

    whole, part = (clean(one, RATE_HZ, ONSET, isi_ms=isi_ms) for one in (sweeps, sweeps[:, :stop]))

    assert (whole.tail_uv > 0).any()
    assert_array_equal(part.bridged_uv, whole.bridged_uv[:, :stop])
    assert_array_equal(part.artifact_end_ms, whole.artifact_end_ms)
    assert_array_equal(part.isi_measured_ms, whole.isi_measured_ms)


def test_sweeps_with_missing_samples_come_back_as_they_are():
    sweep = noise(np.random.default_rng(9)) + artifact(0, 5000)
    sweep[100] = np.nan

    cleaned = clean(sweep, RATE_HZ, ONSET)

    assert np.isnan(cleaned.artifact_start_ms[0])
    assert_array_equal(cleaned.bridged_uv[0], sweep.astype(np.float32))


@pytest.mark.parametrize("isi_ms", [0.0, -3.0, np.inf, [3.0, 3.0]])
def test_an_interval_that_cannot_be_is_refused(isi_ms):
    with pytest.raises(UsageError, match="isi_ms"):
        clean(np.zeros(2000), RATE_HZ, ONSET, isi_ms=isi_ms)
