"""Size and probability of a response near the noise, on signals that the estimator's own model did not make."""

import numpy as np
import pytest

from decussa.measuring.sweeps import measure_sweeps
from decussa.measuring.times import pool_probabilities
from tests.measuring.invented import ONSET, RATE_HZ, TIME_MS, broadband, firing_units, noise, response

NOISES = {"broadband": broadband, "EMG-like": noise}
N = 400


def measured(kind: str, size_uv: float, seed: int, n: int = N) -> dict[str, np.ndarray]:
    rng = np.random.default_rng(seed)
    sweeps = [
        NOISES[kind](rng) + response(rng.uniform(12, 30), size_uv, length_ms=rng.uniform(8, 16)) for _ in range(n)
    ]
    return measure_sweeps(np.stack(sweeps), RATE_HZ, ONSET, onset=None)


@pytest.mark.parametrize("kind", NOISES)
def test_with_ten_microvolts_of_noise_at_most_one_in_twenty_sweeps_shows_a_response_that_is_not_there(kind):
    assert np.mean(measured(kind, 0.0, seed=1)["response_p"] > 0.5) <= 0.05


@pytest.mark.parametrize("kind", NOISES)
def test_with_ten_microvolts_of_noise_at_most_one_in_twenty_responses_of_eighty_is_missed(kind):
    assert np.mean(measured(kind, 80.0, seed=2)["response_p"] <= 0.5) <= 0.05


@pytest.mark.parametrize("size_uv", [0.0, 80.0])
def test_over_a_background_of_firing_units_one_in_twenty_is_taken_for_what_it_is_not(size_uv):
    rng = np.random.default_rng(6)
    sweeps = [
        firing_units(rng) + response(rng.uniform(12, 30), size_uv, length_ms=rng.uniform(8, 16)) for _ in range(N)
    ]
    found = measure_sweeps(np.stack(sweeps), RATE_HZ, ONSET, intervals=False)["response_p"] > 0.5

    # 5 % and three standard errors of a share of 400
    assert np.mean(found != (size_uv > 0)) <= 0.083


def test_shape_has_a_say_only_where_the_size_leaves_it_open():
    by_size = np.array([0.01, 0.99, 0.5, 0.5, 0.5, np.nan])
    by_shape = np.array([0.99, 0.01, 0.5, 0.9, np.nan, 0.5])
    pooled = pool_probabilities(by_size, by_shape, np.zeros(6))

    # log odds of 0.9 are ln 9; half of that is ln 3, a probability of 0.75
    assert pooled == pytest.approx([0.01, 0.99, 0.5, 0.75, 0.5, np.nan], nan_ok=True)


def test_in_a_sweep_that_wanders_a_shape_that_is_no_response_has_all_the_say():
    pooled = pool_probabilities(np.array([0.01, 0.999, 0.5]), np.array([0.99, 0.1, 0.9]), np.ones(3))

    assert pooled == pytest.approx([0.01, 0.1, 0.75])


def test_heart_beats_in_the_window_alone_are_seldom_taken_for_responses():
    """A bump of 40 to 80 uV and 10 ms SD, as a beat looks in the trunk: common practice, no source."""
    rng = np.random.default_rng(12)
    beats = [rng.uniform(40, 80) * np.exp(-0.5 * ((TIME_MS - rng.uniform(15, 45)) / 10) ** 2) for _ in range(200)]
    found = measure_sweeps(np.stack([beat + broadband(rng) for beat in beats]), RATE_HZ, ONSET, intervals=False)

    # one in ten and three standard errors of a share of 200
    assert np.mean(found["response_p"] > 0.5) <= 0.164


@pytest.mark.parametrize("kind", NOISES)
def test_a_size_of_fifty_in_ten_microvolts_of_noise_is_right_on_average_within_five(kind):
    values = measured(kind, 50.0, seed=3)

    assert abs(np.mean(values["size_uv"]) - 50) <= 5
    # the raw peak-to-peak, which the noise enlarges, is not: that is why there are two
    assert np.mean(values["amplitude_uv"]) - 50 > 15


@pytest.mark.parametrize("kind", NOISES)
@pytest.mark.parametrize("lengths_ms", [(5, 8), (16, 24)])
def test_shorter_and_longer_responses_of_fifty_are_right_on_average_within_eight(kind, lengths_ms):
    # short ones lose to the smoothing, long ones have room for more peaks of the noise; neither is known of a single sweep
    rng = np.random.default_rng(8)
    sweeps = [
        NOISES[kind](rng) + response(rng.uniform(12, 26), 50.0, length_ms=rng.uniform(*lengths_ms)) for _ in range(N)
    ]
    sizes = measure_sweeps(np.stack(sweeps), RATE_HZ, ONSET, onset=None)["size_uv"]

    assert abs(np.mean(sizes) - 50) <= 8


@pytest.mark.parametrize("kind", NOISES)
@pytest.mark.parametrize("size_uv", [50.0, 120.0, 600.0, 3000.0])
def test_the_interval_holds_the_true_size_as_often_as_it_says(kind, size_uv):
    values = measured(kind, size_uv, seed=4)
    covered = np.mean((values["size_low_uv"] <= size_uv) & (size_uv <= values["size_high_uv"]))

    # 95 % less three standard errors of a share of 400 is 91.7 %
    assert covered >= 0.917


def test_probabilities_mean_what_they_say():
    rng = np.random.default_rng(5)
    sweeps, truth = [], []
    for _ in range(1500):
        # as the estimator assumes beforehand: half hold nothing, half a size even in its logarithm from 1 noise RMS on
        size = 0.0 if rng.random() < 0.5 else 10 ** rng.uniform(np.log10(8), np.log10(8000))
        sweeps.append(noise(rng) + response(rng.uniform(12, 30), size, length_ms=rng.uniform(8, 16)))
        truth.append(size > 0)
    probability = measure_sweeps(np.stack(sweeps), RATE_HZ, ONSET, onset=None)["response_p"]
    truth = np.array(truth)

    for low, high in ((0.0, 0.3), (0.3, 0.8), (0.8, 1.01)):
        chosen = (probability >= low) & (probability < high)
        doubt = 3 * np.sqrt(0.25 / chosen.sum())
        assert truth[chosen].mean() == pytest.approx(probability[chosen].mean(), abs=0.03 + doubt)


def test_more_noise_makes_the_interval_wider_and_never_the_size_negative():
    quiet, loud = (
        measure_sweeps(
            np.stack([level * noise(np.random.default_rng(k)) + response(20, 60) for k in range(50)]),
            RATE_HZ, ONSET, onset=None,
        )
        for level in (0.2, 2.0)
    )  # fmt: skip

    assert np.median(loud["size_high_uv"] - loud["size_low_uv"]) > 4 * np.median(
        quiet["size_high_uv"] - quiet["size_low_uv"]
    )
    assert (loud["size_low_uv"] >= 0).all()
    assert (loud["size_low_uv"] <= loud["size_uv"]).all()
    assert (loud["size_uv"] <= loud["size_high_uv"]).all()
