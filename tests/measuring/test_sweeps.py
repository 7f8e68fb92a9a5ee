"""What holds for every quantity measured on a sweep, whatever the sweep."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_array_equal

from decussa.measuring.artifact import clean
from decussa.measuring.background import BASELINE_MS
from decussa.measuring.catalogue import METHODS, QUANTITIES, describe_method
from decussa.measuring.classical_onsets import rectified_threshold_onset
from decussa.measuring.classical_silences import control_chart_silence
from decussa.measuring.m_wave import m_wave
from decussa.measuring.sweeps import BLOCK, WIDE_BLOCK, WINDOW_MS, measure_sweeps
from decussa.model.errors import UsageError
from decussa.model.table import TRIAL_NAMES
from tests.measuring.invented import LENGTH, ONSET, RATE_HZ, TIME_MS, artifact, noise, response

SEEDS = st.integers(0, 2**32 - 1)


def sweeps(seed: int, n: int = 6, *, isi_ms: float = math.nan) -> np.ndarray:
    rng = np.random.default_rng(seed)
    first = np.zeros(LENGTH) if math.isnan(isi_ms) else artifact(-isi_ms, 2000)
    return np.stack(
        [
            noise(rng, rms_uv=rng.uniform(2, 20)) + first + artifact(0, 4000)
            + response(rng.uniform(13, 30), 10 ** rng.uniform(1, 3.5))
            for _ in range(n)
        ]
    ).astype(np.float32)  # fmt: skip


def assert_same(one: dict[str, np.ndarray], other: dict[str, np.ndarray]) -> None:
    assert one.keys() == other.keys()
    for name in one:
        assert_array_equal(one[name], other[name], err_msg=name)


def test_keys_are_columns_of_the_trial_table_in_every_mode():
    for onset in ("model", "threshold", None):
        values = measure_sweeps(sweeps(1), RATE_HZ, ONSET, onset=onset, silent=True)
        # where an artifact starts is for the verdict alone
        assert set(values) - {"artifact_start_ms"} <= set(TRIAL_NAMES)
        assert {len(column) for column in values.values()} == {6}


@settings(max_examples=8, deadline=None)
@given(SEEDS, st.sampled_from([math.nan, 3.0, 12.0]), st.sampled_from(["model", "threshold"]))
def test_a_sweep_gives_the_same_numbers_alone_and_in_a_batch_bit_for_bit(seed, isi_ms, onset):
    batch = sweeps(seed, 4, isi_ms=isi_ms)
    isi = np.full(4, isi_ms)
    whole = measure_sweeps(batch, RATE_HZ, ONSET, isi_ms=isi, silent=True, onset=onset)
    alone = [measure_sweeps(row, RATE_HZ, ONSET, isi_ms=isi_ms, silent=True, onset=onset) for row in batch]

    assert_same(whole, {name: np.concatenate([one[name] for one in alone]) for name in whole})


@pytest.mark.parametrize(("onset", "block"), [("threshold", WIDE_BLOCK), ("model", BLOCK)])
def test_a_batch_longer_than_a_block_gives_the_same_numbers_as_its_pieces(onset, block):
    batch = np.tile(sweeps(3), (block // 5, 1))
    whole = measure_sweeps(batch, RATE_HZ, ONSET, onset=onset)
    pieces = [measure_sweeps(batch[k : k + 50], RATE_HZ, ONSET, onset=onset) for k in range(0, len(batch), 50)]

    assert len(batch) > block
    assert_same(whole, {name: np.concatenate([piece[name] for piece in pieces]) for name in whole})


def test_two_threads_give_the_same_numbers_as_one():
    from concurrent.futures import ThreadPoolExecutor

    halves = [sweeps(21, 40), sweeps(22, 40)]
    alone = [measure_sweeps(half, RATE_HZ, ONSET, silent=True) for half in halves]
    with ThreadPoolExecutor(2) as pool:
        together = list(pool.map(lambda half: measure_sweeps(half, RATE_HZ, ONSET, silent=True), halves))

    for one, other in zip(alone, together, strict=True):
        assert_same(one, other)


def test_the_published_onset_is_that_of_the_rule_for_one_signal():
    batch = sweeps(31, 60)
    bridged = clean(batch, RATE_HZ, ONSET).bridged_uv

    found = measure_sweeps(batch, RATE_HZ, ONSET, onset="threshold")
    alone = [
        rectified_threshold_onset(row, RATE_HZ, ONSET, window_ms=WINDOW_MS, baseline_ms=BASELINE_MS) for row in bridged
    ]
    there = found["response_p"] >= 0.5

    assert there.sum() > 20
    np.testing.assert_allclose(found["latency_ms"], np.where(there, alone, np.nan), rtol=1e-12)
    assert (found["duration_ms"][there & np.isfinite(alone)] > 0).all()


@pytest.mark.parametrize("isi_ms", [math.nan, 3.0])
def test_the_published_silence_is_that_of_the_rule_for_one_signal(isi_ms):
    # on single sweeps the chart finds a silence in an even interference pattern only, such as a tone of 500 Hz
    batch = sweeps(32, 60, isi_ms=isi_ms)
    ends_ms = np.linspace(70, 160, 60)[:, None]
    tone = 150 * np.sin(2 * np.pi * 0.5 * TIME_MS + np.linspace(0, 6, 60)[:, None])
    batch += np.where((TIME_MS > 25) & (ends_ms > TIME_MS), 0.01, 1.0) * tone
    bridged = clean(batch, RATE_HZ, ONSET, isi_ms=isi_ms).bridged_uv

    found = measure_sweeps(batch, RATE_HZ, ONSET, isi_ms=isi_ms, onset="threshold", silent=True)
    baseline_ms = BASELINE_MS if math.isnan(isi_ms) else tuple(time - isi_ms for time in BASELINE_MS)
    run_end_ms = np.round(found["latency_ms"] + found["duration_ms"], 6)
    after_ms = np.where(np.isnan(run_end_ms), np.fmax(WINDOW_MS[0], found["artifact_end_ms"]), run_end_ms)
    alone = np.array(
        [
            control_chart_silence(row, RATE_HZ, ONSET, response_ms=after, baseline_ms=baseline_ms)
            for row, after in zip(bridged, after_ms, strict=True)
        ]
    )
    alone[np.isnan(alone[:, 1])] = np.nan

    assert np.isfinite(alone[:, 1]).sum() > 30
    assert_array_equal(found["silent_start_ms"], alone[:, 0])
    assert_array_equal(found["silent_end_ms"], alone[:, 1])


def test_where_a_sweep_lies_in_memory_does_not_matter():
    batch = sweeps(23, 3)
    room = np.zeros(batch.size + 8, dtype=np.float32)
    for shift in range(4):
        moved = room[shift : shift + batch.size].reshape(batch.shape)
        moved[:] = batch
        assert_same(
            measure_sweeps(moved, RATE_HZ, ONSET, onset="threshold", silent=True),
            measure_sweeps(batch, RATE_HZ, ONSET, onset="threshold", silent=True),
        )


@settings(max_examples=15, deadline=None)
@given(SEEDS, st.integers(-6, 6))
def test_scaling_a_sweep_scales_sizes_and_leaves_probabilities_and_times_alone(seed, power):
    # powers of two are exact in floating point, so nothing but the last bits of sums may differ
    plain = measure_sweeps(sweeps(seed), RATE_HZ, ONSET, onset="threshold")
    scaled = measure_sweeps(sweeps(seed) * np.float32(2.0**power), RATE_HZ, ONSET, onset="threshold")

    for name in plain:
        factor = 2.0**power if name.endswith(("_uv", "_uv_ms")) else 1.0
        np.testing.assert_allclose(scaled[name], factor * plain[name], rtol=1e-9, atol=1e-9, err_msg=name)


@settings(max_examples=15, deadline=None)
@given(SEEDS, st.sampled_from([-512.0, 64.0, 1024.0]))
def test_an_offset_changes_nothing(seed, offset):
    plain = measure_sweeps(sweeps(seed), RATE_HZ, ONSET, onset="threshold")
    shifted = measure_sweeps(sweeps(seed) + np.float32(offset), RATE_HZ, ONSET, onset="threshold")

    for name in plain:
        # float32 holds 1000 uV to 0.00006 uV
        tolerance = 0.2 if name == "area_uv_ms" else 0.05
        np.testing.assert_allclose(shifted[name], plain[name], atol=tolerance, err_msg=name)


@settings(max_examples=10, deadline=None)
@given(SEEDS, st.integers(-40, 40))
def test_moving_everything_in_time_moves_nothing_that_counts_from_the_pulse(seed, samples):
    long = sweeps(seed)
    first = measure_sweeps(long[:, 60:1900], RATE_HZ, ONSET - 60, onset="threshold")
    second = measure_sweeps(long[:, 60 + samples : 1900 + samples], RATE_HZ, ONSET - 60 - samples, onset="threshold")

    for name in first:
        np.testing.assert_allclose(second[name], first[name], rtol=1e-9, atol=1e-6, err_msg=name)


def test_a_response_that_comes_later_is_found_later_by_as_much():
    rng = np.random.default_rng(12)
    background = noise(rng, rms_uv=3)
    early = measure_sweeps(background + response(18, 1500), RATE_HZ, ONSET)
    late = measure_sweeps(background + response(23, 1500), RATE_HZ, ONSET)

    assert late["latency_ms"] - early["latency_ms"] == pytest.approx(5.0, abs=0.5)


@settings(max_examples=10, deadline=None)
@given(SEEDS)
def test_float32_and_float64_agree_within_a_seventh_of_a_microvolt(seed):
    exact = sweeps(seed).astype(np.float64) + np.random.default_rng(seed).uniform(-1e-5, 1e-5, (6, LENGTH))
    one = measure_sweeps(exact, RATE_HZ, ONSET, onset=None)
    other = measure_sweeps(exact.astype(np.float32), RATE_HZ, ONSET, onset=None)

    for name in ("amplitude_uv", "background_rms_uv", "size_uv", "noise_uv"):
        np.testing.assert_allclose(one[name], other[name], atol=0.15)


def test_amplitude_is_the_largest_minus_the_smallest_recorded_sample_of_the_window():
    batch = sweeps(5)
    window = (TIME_MS >= 10) & (TIME_MS <= 50)

    amplitude = measure_sweeps(batch, RATE_HZ, ONSET, onset=None)["amplitude_uv"]

    assert_array_equal(amplitude, np.ptp(batch[:, window].astype(np.float64), axis=1))


def test_samples_of_the_artifact_do_not_count_as_amplitude():
    batch = np.stack([noise(np.random.default_rng(k), rms_uv=3) + artifact(0, 9000) for k in range(5)])

    values = measure_sweeps(batch, RATE_HZ, ONSET, window_ms=(0.2, 50), onset=None)

    assert (values["amplitude_uv"] < 60).all()


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_missing_samples_give_missing_values_and_leave_the_other_sweeps_alone(bad):
    batch = sweeps(6, 3)
    batch[1, 800] = bad
    values = measure_sweeps(batch, RATE_HZ, ONSET)
    others = measure_sweeps(batch[[0, 2]], RATE_HZ, ONSET)

    for name in set(values) - {"clipped_samples"}:
        assert np.isnan(values[name][1]), name
        assert_array_equal(values[name][[0, 2]], others[name], err_msg=name)


@pytest.mark.parametrize("level", [0.0, -7.5, 1e6])
@pytest.mark.parametrize("onset", ["model", "threshold", None])
def test_a_constant_sweep_has_no_response(level, onset):
    values = measure_sweeps(np.full((2, LENGTH), level), RATE_HZ, ONSET, onset=onset, silent=True)

    for name in ("amplitude_uv", "size_uv", "response_p", "background_rms_uv", "area_uv_ms"):
        assert_array_equal(values[name], 0.0, err_msg=name)
    for name in ("latency_ms", "duration_ms", "silent_end_ms", "artifact_start_ms"):
        assert np.isnan(values[name]).all(), name


def test_the_first_response_of_a_long_interval_pair_is_measured_and_that_of_a_short_one_is_not():
    rng = np.random.default_rng(7)
    pulses = artifact(-100, 3000) + artifact(0, 3000)
    both = response(20, 300) + response(-80, 1000)
    pair = np.concatenate([np.zeros(500), pulses + both])[None] + np.tile(noise(rng, rms_uv=1), 2)[: LENGTH + 500]

    long = measure_sweeps(pair, RATE_HZ, ONSET + 500, isi_ms=100.0, onset=None)
    short = measure_sweeps(sweeps(8, isi_ms=12.0), RATE_HZ, ONSET, isi_ms=12.0, onset=None)

    assert long["first_amplitude_uv"][0] == pytest.approx(1000, abs=6)
    assert long["amplitude_uv"][0] == pytest.approx(300, abs=6)
    assert np.isnan(short["first_amplitude_uv"]).all()


def test_the_baseline_counts_back_from_the_first_pulse():
    rng = np.random.default_rng(9)
    loud = np.where((TIME_MS > -12) & (TIME_MS < -1), 300.0, 1.0)
    sweep = loud * noise(rng, rms_uv=1)

    single = measure_sweeps(sweep, RATE_HZ, ONSET, onset=None)["background_rms_uv"][0]
    paired = measure_sweeps(sweep, RATE_HZ, ONSET, isi_ms=12.0, onset=None)["background_rms_uv"][0]

    assert single > 20
    assert paired < 2


def test_clipped_samples_are_counted_outside_the_artifact_only():
    rng = np.random.default_rng(10)
    sweep = np.clip(noise(rng, rms_uv=3) + artifact(0, 9000) + response(20, 5000), -1000, 1000)
    expected = np.count_nonzero((np.abs(sweep) >= 1000) & (TIME_MS >= 10) & (TIME_MS <= 50))

    values = measure_sweeps(sweep, RATE_HZ, ONSET, onset=None, low_uv=-1000.0, high_uv=1000.0)

    assert expected > 0
    assert values["clipped_samples"][0] == expected


def test_an_m_wave_is_measured_whole_although_it_begins_a_moment_after_the_pulse():
    rng = np.random.default_rng(11)
    wave = np.where((TIME_MS > 1.6) & (TIME_MS < 11.6), 4000 * np.sin(2 * np.pi * (TIME_MS - 1.6) / 10), 0)
    sweep = noise(rng, rms_uv=2) + artifact(0, 3000) * (TIME_MS < 1) + wave

    assert m_wave(sweep, RATE_HZ, ONSET)[0] == pytest.approx(8000, rel=0.005)


WRONG = {
    "no samples": ((np.zeros((2, 0)), RATE_HZ, 0), {}, "samples_uv"),
    "three axes": ((np.zeros((2, 2, 2000)), RATE_HZ, ONSET), {}, "samples_uv"),
    "text": ((np.array(["a", "b"]), RATE_HZ, 0), {}, "samples_uv"),
    "0 Hz": ((np.zeros(2000), 0.0, ONSET), {}, "rate_hz"),
    "NaN Hz": ((np.zeros(2000), math.nan, ONSET), {}, "rate_hz"),
    "onset outside": ((np.zeros(2000), RATE_HZ, 2000), {}, "onset_sample"),
    "window outside": ((np.zeros(2000), RATE_HZ, ONSET), {"window_ms": (10, 500)}, "window_ms"),
    "window upside down": ((np.zeros(2000), RATE_HZ, ONSET), {"window_ms": (50, 10)}, "window_ms"),
    "window of three": ((np.zeros(2000), RATE_HZ, ONSET), {"window_ms": (10, 20, 30)}, "window_ms"),
    "baseline after the pulse": ((np.zeros(2000), RATE_HZ, ONSET), {"baseline_ms": (-50, 5)}, "baseline_ms"),
    "no room for the baseline": ((np.zeros(2000), RATE_HZ, ONSET), {"isi_ms": 120.0}, "baseline_ms"),
    "negative interval": ((np.zeros(2000), RATE_HZ, ONSET), {"isi_ms": -3.0}, "isi_ms"),
    "unknown method": ((np.zeros(2000), RATE_HZ, ONSET), {"onset": "eye"}, "onset"),
}


@pytest.mark.parametrize("name", WRONG)
def test_a_call_that_cannot_be_meant_is_refused_with_the_argument_named(name):
    arguments, options, where = WRONG[name]
    with pytest.raises(UsageError, match=f"^{where}: "):
        measure_sweeps(*arguments, **options)


def test_no_sweeps_give_empty_columns():
    values = measure_sweeps(np.zeros((0, LENGTH), dtype=np.float32), RATE_HZ, ONSET, silent=True)

    assert {len(column) for column in values.values()} == {0}


def test_every_quantity_of_the_catalogue_is_measured_and_every_function_exists():
    from importlib import import_module

    values = measure_sweeps(sweeps(1), RATE_HZ, ONSET, silent=True)
    assert {quantity.name for quantity in QUANTITIES} <= set(values)
    for entry in (*QUANTITIES, *METHODS):
        module, function = entry.function.split(".")
        assert callable(getattr(import_module(f"decussa.measuring.{module}"), function)), entry.function
        assert entry.source


def test_the_method_says_which_onset_was_used():
    described = {
        onset: describe_method(onset=onset, silent=True, intervals=False, rate_hz=5000.0, nerve=False)
        for onset in ("model", "threshold", None)
    }

    assert len(set(described.values())) == 3
    assert "Garvey 2001" in described["threshold"]
    assert all("no intervals" in text for text in described.values())
