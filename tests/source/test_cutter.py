"""The cutter returns the same sweeps however the samples are chopped up; what it finds is what was put in."""

import math

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from decussa.source.cutter import AFTER_MS, BEFORE_MS, Cut, Cutter, LoneArtifact
from decussa.source.pulse_finders import TriggerFinder
from decussa.source.ring import Ring

RATE = 1_000.0
N = 6_000


def stream(pulses=(1500, 3000, 3004), artifacts=(1500, 3000), *, seed=1, trigger=5_000.0):
    """Two EMG channels and a trigger line at 1 kHz, with steps of 3 mV where a pulse is."""
    rng = np.random.default_rng(seed)
    samples = rng.normal(0, 4, (3, N)).astype(np.float32)
    samples[2] = 0
    for at in artifacts:
        samples[0, at : at + 2] += 3_000
    for at in pulses:
        samples[2, at : at + 2] = trigger
    return samples


def cut_all(samples, sizes=(N,), **options):
    cutter = Cutter(3, RATE, emg_rows=(0, 1), **({"trigger_row": 2} | options))
    found, at = [], 0
    for size in sizes:
        piece = samples[:, at : at + size]
        found += cutter.feed(piece, np.arange(at, at + piece.shape[1]) / RATE)
        at += size
    return found


def told(found):
    return [
        (cut.pulses, cut.first, cut.artifact, cut.samples.tobytes()) if isinstance(cut, Cut) else cut for cut in found
    ]


@settings(max_examples=60, deadline=None)
@given(st.lists(st.integers(1, 900), min_size=1, max_size=60), st.booleans(), st.integers(0, 5))
def test_any_chopping_gives_the_same_sweeps(sizes, lost, seed):
    samples = stream(seed=seed, artifacts=(1500, 3000, 4500))
    if lost:
        samples[:, 2000:2050] = math.nan
        samples[:, 1502:1510] = math.nan
    rest = N - sum(sizes)
    sizes = [*sizes, rest] if rest > 0 else sizes

    assert told(cut_all(samples, sizes)) == told(cut_all(samples))


@settings(max_examples=30, deadline=None)
@given(st.lists(st.integers(1, 900), min_size=1, max_size=60))
def test_any_chopping_gives_the_same_artifacts(sizes):
    samples = stream()
    rest = N - sum(sizes)
    sizes = [*sizes, rest] if rest > 0 else sizes
    options = {"trigger_row": -1, "from_artifact": True}

    assert told(cut_all(samples, sizes, **options)) == told(cut_all(samples, **options))


def test_pulses_close_together_are_one_stimulus_and_the_sweep_spans_both():
    single, pair = cut_all(stream())

    assert single.pulses == (1500,)
    assert pair.pulses == (3000, 3004)
    assert single.first == 1500 - BEFORE_MS
    assert single.samples.shape == (3, BEFORE_MS + AFTER_MS)
    assert pair.samples.shape == (3, BEFORE_MS + 4 + AFTER_MS)
    assert np.array_equal(pair.samples, stream()[:, pair.first : pair.first + pair.samples.shape[1]])


def test_an_artifact_belongs_to_its_pulse_or_to_none():
    found = cut_all(stream(artifacts=(1500, 2200, 3000)))

    assert [type(one) for one in found] == [Cut, LoneArtifact, Cut]
    assert [one.artifact for one in found if isinstance(one, Cut)] == [1500, 3000]
    assert found[1].sample == 2200


def test_a_trigger_that_rests_high_is_found_where_it_falls():
    samples = stream()
    samples[2] = 5_000 - samples[2]

    assert [cut.pulses for cut in cut_all(samples)] == [(1500,), (3000, 3004)]


def test_codes_are_found_however_small():
    assert [cut.pulses for cut in cut_all(stream(trigger=1.0))] == [(1500,), (3000, 3004)]


def test_noise_and_flicker_of_the_last_bit_are_no_pulses():
    rng = np.random.default_rng(3)
    flicker = rng.integers(0, 2, 20_000).astype(np.float32)
    noise = rng.normal(0, 3, 20_000).astype(np.float32)

    assert TriggerFinder(RATE).feed(flicker) == []
    assert TriggerFinder(RATE).feed(noise) == []


def test_bouncing_edges_are_one_pulse():
    line = np.zeros(20_000, np.float32)
    line[12_000:12_004:2] = 5.0

    assert TriggerFinder(5_000.0).feed(line) == [12_000]


def test_what_a_ring_no_longer_keeps_is_missing_and_what_it_keeps_is_exact():
    ring = Ring(1, 100)
    for start in range(0, 270, 27):
        numbers = np.arange(start, start + 27)
        ring.write(numbers[None].astype(np.float32), numbers / RATE)

    read = ring.read(160, 280)[0]
    assert np.isnan(read[:10]).all()
    assert np.array_equal(read[10:110], np.arange(170, 270))
    assert np.isnan(read[110:]).all()
    assert ring.at(0.2004) == 200
    assert ring.at(0.28) == 280


def test_a_piece_longer_than_the_ring_leaves_its_end():
    ring = Ring(1, 100)
    ring.write(np.arange(250, dtype=np.float32)[None], np.arange(250) / RATE)

    assert np.array_equal(ring.read(150, 250)[0], np.arange(150, 250))
