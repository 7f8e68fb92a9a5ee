"""Pulses from their artifacts: where they stand out they are found to the sample, alone and in pairs; muscle shows none."""

import numpy as np
import pytest
from scipy import signal

from decussa.measuring.artifact_extra import extra_artifacts
from decussa.measuring.artifact_pulses import BLOCK_S, are_brief, find_standing, find_starts, sharpest_bends
from tests.measuring.invented import LENGTH, ONSET, RATE_HZ, TIME_MS, artifact, noise, response


def long_recording(rng, *, seconds=60, pulses_s=(), peaks_uv=2000.0, size_uv=0.0, background_uv=5.0):
    """EMG with an artifact, and a response to it, at each of ``pulses_s``."""
    length = int(seconds * RATE_HZ)
    band = signal.butter(4, [20, 450], "bandpass", fs=RATE_HZ, output="sos")
    trace = signal.sosfilt(band, rng.standard_normal(length))
    trace *= background_uv / trace.std()
    for at_s, peak_uv in zip(pulses_s, np.broadcast_to(peaks_uv, len(pulses_s)), strict=True):
        first = round(at_s * RATE_HZ) - ONSET
        trace[first : first + LENGTH] += artifact(0, peak_uv) + response(20, size_uv)
    return trace


def test_pulses_stand_out_of_rest_and_of_large_responses():
    rng = np.random.default_rng(1)
    pulses_s = np.arange(3, 57, 5.5) + rng.uniform(0, 1, 10)
    trace = long_recording(rng, pulses_s=pulses_s, peaks_uv=rng.uniform(800, 3000, 10), size_uv=4000.0)

    standing = find_standing(sharpest_bends(trace, RATE_HZ))

    assert standing.unmistakable
    assert [first * BLOCK_S for first, _ in standing.blocks] == pytest.approx(np.floor(pulses_s * 10) / 10, abs=BLOCK_S)


@pytest.mark.parametrize("burst_s", [1.0, 0.3])
@pytest.mark.parametrize("seed", range(4))
def test_bursts_of_contraction_are_no_pulses(seed, burst_s):
    rng = np.random.default_rng(seed)
    envelope = np.repeat(np.where(rng.random(round(60 / burst_s)) < 0.1, 1.0, 0.1), round(burst_s * RATE_HZ))
    trace = long_recording(rng, background_uv=150.0) * envelope

    standing = find_standing(sharpest_bends(trace, RATE_HZ))

    width = round(BLOCK_S * RATE_HZ)
    stretches = [trace[max(0, first - 3) * width : (last + 4) * width] for first, last in standing.blocks]
    starts = [find_starts(stretch, RATE_HZ) for stretch in stretches]
    brief = [are_brief(stretch, RATE_HZ, found) for stretch, found in zip(stretches, starts, strict=True)]
    assert not (standing.unmistakable and all(brief) and all(len(found) in (1, 2) for found in starts))


def test_pieces_that_share_two_samples_give_the_bends_of_the_whole():
    trace = long_recording(np.random.default_rng(2), seconds=3, pulses_s=[1.0])
    width = round(BLOCK_S * RATE_HZ)

    pieces = [
        sharpest_bends(trace[first : first + 7 * width + 2], RATE_HZ) for first in range(0, trace.size - 2, 7 * width)
    ]

    np.testing.assert_allclose(np.concatenate(pieces), sharpest_bends(trace, RATE_HZ))


@pytest.mark.parametrize("isi_ms", [2.0, 3.0, 10.0, 15.0, 100.0])
@pytest.mark.parametrize("share", [0.5, 1.0])
def test_both_artifacts_of_a_pair_are_found_to_the_sample(isi_ms, share):
    sweep = (
        noise(np.random.default_rng(3), rms_uv=5)
        + artifact(-isi_ms, share * 2000)
        + artifact(0, 2000)
        + response(20, 1500)
    )

    assert find_starts(sweep, RATE_HZ) == pytest.approx([ONSET - isi_ms * RATE_HZ / 1e3, ONSET], abs=1)


@pytest.mark.parametrize("size_uv", [0.0, 500.0, 5000.0])
def test_a_response_is_no_second_artifact(size_uv):
    sweep = noise(np.random.default_rng(4), rms_uv=8) + artifact(0, 1500) + response(20, size_uv)

    assert find_starts(sweep, RATE_HZ) == [ONSET]


def test_an_artifact_at_the_end_of_the_converters_range_starts_where_it_leaves_the_baseline():
    sweep = (noise(np.random.default_rng(5), rms_uv=5) + artifact(0, 20_000)).clip(-3276, 3276)

    assert find_starts(sweep, RATE_HZ) == [ONSET]


def sweeps(rng, *, extra_ms=None, count=40, size_uv=1000.0, peak_uv=2000.0):
    return np.array(
        [
            noise(rng, rms_uv=8) + artifact(0, peak_uv) + response(rng.uniform(15, 25), size_uv)
            + (0 if extra_ms is None else artifact(extra_ms, peak_uv))
            for _ in range(count)
        ],
        dtype=np.float32,
    )  # fmt: skip


@pytest.mark.parametrize("extra_ms", [-100.0, -15.0, -3.0, -2.0, 2.5, 15.0, 100.0])
def test_a_second_artifact_beside_a_single_pulse_is_found(extra_ms):
    found = extra_artifacts(sweeps(np.random.default_rng(6), extra_ms=extra_ms), RATE_HZ, ONSET, np.zeros(40))

    assert found == pytest.approx(np.full(40, extra_ms), abs=0.3)


@pytest.mark.parametrize("size_uv", [0.0, 300.0, 3000.0])
def test_single_pulses_and_pairs_as_asked_hold_no_extra_artifact(size_uv):
    rng = np.random.default_rng(7)
    single = sweeps(rng, size_uv=size_uv)
    pair = sweeps(rng, size_uv=size_uv, extra_ms=-3.0)

    assert np.isnan(extra_artifacts(single, RATE_HZ, ONSET, np.zeros(40))).all()
    assert np.isnan(extra_artifacts(pair, RATE_HZ, ONSET, np.zeros(40), np.full(40, -3.0))).all()


def test_where_no_artifact_is_known_none_is_extra():
    assert np.isnan(
        extra_artifacts(sweeps(np.random.default_rng(8), count=3), RATE_HZ, ONSET, np.full(3, np.nan))
    ).all()
    assert TIME_MS[ONSET] == 0
