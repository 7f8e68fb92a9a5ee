"""Parts of the silence's model: sums over paths are those of a plain chain, skipped bins could not have mattered."""

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose

from decussa.measuring.silence_bins import ORDER, by_place, in_order
from decussa.measuring.silence_breaks import bins_at_edges, split_bins
from decussa.measuring.silence_chain import (
    BETWEEN_BREAKS_MS,
    BETWEEN_WAVES_MS,
    BREAK_MS,
    GAP_MS,
    RESPONSE_MS,
    STAY_MS,
    WAVE_LASTS_MS,
    activity_ahead,
    silence_behind,
)
from decussa.measuring.silence_kernel import (
    ACTIVE,
    LEVELS,
    PAST,
    STEPS,
    activity_levels,
    judge_fresh,
    running_sums,
    squares_left,
    whitening_filters,
)
from decussa.measuring.silence_ramps import let_stray, sudden_bounds, sudden_scores
from decussa.measuring.whitening import autocovariance, predictor, take_drift_away

BIN_MS = 2.0


@pytest.fixture
def rng():
    return np.random.default_rng(11)


def chances(rng, bins):
    shares = rng.dirichlet(np.ones(ACTIVE))
    return shares, rng.uniform(1e-6, 1.0, (bins, ACTIVE)), rng.normal(-200.0, 90.0, bins)


def test_activity_from_each_bin_on_sums_over_all_paths_of_levels(rng):
    shares, seen, tops = chances(rng, 60)
    stays = np.exp(-BIN_MS / np.where(np.arange(ACTIVE) == 0, GAP_MS, STAY_MS))
    passing = np.diag(stays) + np.outer(1 - stays, shares)
    later, units, ahead = np.empty((60, ACTIVE)), np.empty(60), np.empty(60)
    activity_ahead(seen, tops, shares, BIN_MS, later, units, ahead)
    follows, unit = np.ones(ACTIVE), 0.0
    for b in range(59, -1, -1):
        follows = passing @ follows
        assert_allclose(np.log(later[b]) + units[b], np.log(shares * follows) + unit, rtol=1e-12)
        follows, unit = follows * seen[b], unit + tops[b]
        assert_allclose(ahead[b], math.log(shares @ follows) + unit, rtol=1e-12)
        follows, unit = follows / follows.sum(), unit + math.log(follows.sum())


def test_silence_up_to_each_bin_sums_over_all_paths_of_regimes(rng):
    bins, long, heard = 70, 25, LEVELS - 1
    shares, seen, tops = chances(rng, bins)
    *here, fresh = rng.uniform(1e-6, 3.0, (3, bins))
    here, responses = np.array(here), rng.uniform(1e-6, 1.0, (long, heard))
    for unlikely in (here, fresh, seen.T, responses.T):  # sums leave their bounds on either side
        unlikely *= np.where(np.arange(unlikely.shape[-1]) % 40 < 20, 1e-12, 1e12)
    silent, busy, places = np.empty(bins + 1), np.empty(bins + 1), 4
    starts, ends = np.array([0, 9, 30, 31, 69]), np.array([12, 31, 33, 50])
    starting, ending = rng.uniform(1e-6, 9.0, (starts.size, ACTIVE)), rng.uniform(1e-6, 9.0, (ends.size, ACTIVE))
    silence_behind(
        here, fresh, seen, tops, responses, shares, starts, starting, ends, ending, places, BIN_MS, silent, busy
    )
    mix = np.append(0.0, shares[1:] / shares[1:].sum())
    stay, going_on = math.exp(-BIN_MS / STAY_MS), math.exp(-BIN_MS / RESPONSE_MS)
    lasts, begins = math.exp(-BIN_MS / BREAK_MS), -math.expm1(-BIN_MS / BETWEEN_BREAKS_MS)
    on_levels = stay * np.eye(ACTIVE) + (1 - stay) * mix
    swells, calms = -math.expm1(-BIN_MS / BETWEEN_WAVES_MS), -math.expm1(-BIN_MS / WAVE_LASTS_MS)
    # states: response; silence after 0, 1, 2 breaks; silence that has just begun after as many; wave; first and second break
    r, q, n, w = slice(0, heard), heard, heard + 3, heard + 6
    f, s = slice(heard + 9, heard + 9 + ACTIVE), slice(heard + 9 + ACTIVE, None)
    passing = np.zeros((heard + 9 + 2 * ACTIVE,) * 2)
    passing[r, r] = going_on * (stay * np.eye(heard) + (1 - stay) / heard)
    passing[r, n] = 1 - going_on
    passing[f, f], passing[s, s] = lasts * on_levels, lasts * on_levels
    for k in range(3):
        passing[w + k, w + k], passing[w + k, q + k] = 1 - calms, calms
    state, unit = np.zeros(len(passing)), 0.0
    state[r] = 1 / heard
    for b in range(bins):
        # a break that begins, or ends, within a bin does not do so after it, but at one of its places
        within = np.zeros(len(passing))
        begins_after, ends_after = begins, 1 - lasts
        if b in starts:
            like = begins * mix * starting[np.searchsorted(starts, b)]
            within[f], within[s], begins_after = state[q] * like, state[q + 1] * like, begins / places
        over = np.zeros(len(passing))
        if b in ends:
            like = (1 - lasts) * ending[np.searchsorted(ends, b)]
            over[n + 1], over[n + 2], ends_after = state[f] @ like, state[s] @ like, (1 - lasts) / places
        for silence in (q, n):
            passing[silence, f], passing[silence + 1, s] = begins_after * mix, begins_after * mix
            for k, stays in enumerate((1 - begins_after, 1 - begins_after, 1.0)):
                passing[silence + k, q + k], passing[silence + k, w + k] = stays * (1 - swells), stays * swells
        passing[f, n + 1], passing[s, n + 2] = ends_after, ends_after
        state[r] *= responses[b] if b < long else 0.0
        state[q : q + 3] *= here[0, b]
        state[w : w + 3] *= here[1, b]
        state[n : n + 3] *= fresh[b]
        state[f] *= seen[b]
        state[s] *= seen[b]
        if b == long - 1:
            passing[r, r], passing[r, n] = 0.0, 1.0
        waves = state[w : w + 3] * calms
        state = (state + within) @ passing + over
        unit += tops[b]
        if b > 0:  # activity returns from a silence, not from a wave
            assert_allclose(silent[b + 1], math.log((state[q : q + 3] - waves).sum()) + unit, rtol=1e-12)
        whole = state.sum()
        unit += math.log(whole)
        state /= whole
        if b < long - 1:
            assert_allclose(busy[b + 1], math.log(state[r].sum()) + unit, rtol=1e-12)


@pytest.mark.parametrize("places", [4, 9])
def test_the_first_bin_of_a_silence_is_judged_by_all_that_the_floor_is(rng, places):
    samples = by_place(rng.standard_normal(300).astype(np.float32), 0, 300, 1, places, 0.25)
    quiet = 0.9 ** (np.arange(ORDER + 1) ** 1.5)
    filters = whitening_filters(activity_levels(4.0 * quiet, quiet), 4.0 * quiet, quiet)
    logs, past = np.empty(samples.shape[1]), np.empty((2, places * samples.shape[1]), np.float32)
    squares_left(samples, filters[:2], PAST, past)
    judge_fresh(samples, quiet, past[0], filters, logs)
    # up to ORDER samples follow from all before them, the others from so many of those
    short = min(places, ORDER)
    covariance = quiet[np.abs(np.subtract.outer(np.arange(short), np.arange(short)))] + 1e-6 * np.eye(short)
    first = samples[ORDER : ORDER + short].astype(float)
    expected = -0.5 * np.sum(first * np.linalg.solve(covariance, first), axis=0)
    expected -= 0.5 * np.linalg.slogdet(covariance)[1]
    fitted = predictor(quiet)
    for place in range(short, places):
        left = fitted[: ORDER + 1] @ samples[ORDER + place - np.arange(ORDER + 1)].astype(float)
        expected -= 0.5 * left**2 / fitted[ORDER + 1] + 0.5 * math.log(fitted[ORDER + 1])
    assert_allclose(logs, expected, rtol=1e-3)


@pytest.mark.parametrize(("factor", "places"), [(1, 10), (3, 7), (1, 1)])
def test_samples_by_place_are_those_of_the_sweep_without_drift(rng, factor, places):
    sweep = (rng.standard_normal(900) + 4e3 + 0.5 * np.arange(900)).astype(np.float32)
    count = 800 // factor
    means = sweep[60 : 60 + count * factor].astype(float).reshape(count, factor).mean(axis=1)
    flat = np.empty(count)
    take_drift_away(means, 4000.0, flat)
    samples = by_place(sweep, 60, count, factor, places, 0.25)
    assert_allclose(in_order(samples), flat[ORDER : ORDER + samples.shape[1] * places], atol=2e-4)
    assert_allclose(samples[:, 3], flat[3 * places : 3 * places + places + 2 * ORDER], atol=2e-4)


@pytest.mark.parametrize("size", [0, 1, 3, 4, 11])
def test_running_sums_are_those_before_each(rng, size):
    values, sums = rng.standard_normal(size), np.empty(size + 2)
    running_sums(values, sums)
    assert_allclose(sums, np.append(np.append(0.0, np.cumsum(values)), values.sum()), atol=1e-12)


@pytest.mark.parametrize("contrast", [2.0, 20.0])
def test_no_sudden_return_is_likelier_than_its_bound(rng, contrast):
    rows, places = 2000, 10
    sweep = rng.standard_normal(rows) * np.where(np.arange(rows) > 900, contrast, 1.0)
    samples = by_place(sweep.astype(np.float32), 0, rows, 1, places, 0.2)
    bins = samples.shape[1]
    quiet = autocovariance(rng.standard_normal(500), ORDER)
    levels = activity_levels(contrast**2 * quiet, quiet)
    filters = whitening_filters(levels, contrast**2 * quiet, quiet)
    squares = np.empty((2, places * bins), dtype=np.float32)
    squares_left(samples, filters[:2], PAST, squares)
    later, units, silent = rng.uniform(1e-3, 1.0, (bins, ACTIVE)), rng.normal(size=bins), rng.normal(size=bins + 1)
    bounds, scores = np.empty(bins), np.full(bins * places, np.nan)
    sudden_bounds(squares[0], places, filters, later, units, silent, bounds)
    best = sudden_scores(samples, squares[0], filters, levels, later, units, silent, np.arange(bins), scores)
    scores = scores.reshape(bins, places)
    assert best == scores.max()
    assert (scores[:, 1:] <= bounds[:, None] + 1e-3).all()
    assert (scores[:, 1:].max(axis=1) > bounds - 40.0).mean() > 0.2


@pytest.mark.parametrize("ending", [False, True])
def test_a_bin_split_by_an_edge_is_silent_on_one_side_of_it_and_active_on_the_other(rng, ending):
    places, bins = 5, 40
    sweep = rng.standard_normal(bins * places + 2 * ORDER).astype(np.float32)
    samples = by_place(sweep, 0, sweep.size, 1, places, 0.25)
    loud, quiet = 4.0 * 0.8 ** np.arange(ORDER + 1), 0.5 ** np.arange(ORDER + 1)
    levels = activity_levels(loud, quiet)
    filters = whitening_filters(levels, loud, quiet)
    past, tops, chosen = np.empty((2, bins * places), np.float32), rng.normal(0.0, 3.0, bins), np.array([2, 3, 17])
    squares_left(samples, filters[:2], PAST, past)
    found = split_bins(samples, past[0], filters, levels, tops, chosen, ending)

    def density(b, place, level, towards):
        kept = filters[min(level, STEPS)]
        taps = samples[ORDER + place + towards * np.arange(ORDER + 1), b].astype(float)
        share = levels[level] ** 2 if level > STEPS else 1.0
        return kept[ORDER + 2] - 0.5 * math.log(share) - kept[ORDER + 1] * (kept[: ORDER + 1] @ taps) ** 2 / share

    for b, row in zip(chosen, found, strict=True):
        for level in range(ACTIVE):
            total = 0.0
            for edge in range(1, places):
                active = range(edge) if ending else range(edge, places)
                silent = range(edge, places) if ending else range(edge)
                log = sum(density(b, place, level, 1) for place in active)
                log += sum(density(b, place, 0, 1 if ending else -1) for place in silent)
                total += math.exp(log - tops[b]) / places
            assert_allclose(row[level], total, rtol=1e-4)


def test_only_bins_between_silence_and_activity_are_split():
    quiet = np.array([1.0, 0.9, 1e-9, 1e-9, 1e-9, 0.5, 1e-9, 1.0])
    assert bins_at_edges(quiet, quiet, -1).tolist() == [2, 6]
    assert bins_at_edges(quiet, quiet, 1).tolist() == [4, 6]


def test_activity_strays_from_the_levels_of_a_return_as_from_the_baseline(rng):
    _, seen, tops = chances(rng, 30)
    loud, quiet = 9.0 * 0.8 ** np.arange(ORDER + 1), 0.5 ** np.arange(ORDER + 1)
    levels = activity_levels(loud, quiet)
    logs = np.zeros((ACTIVE, 30))
    let_stray(seen.T.copy(), tops, levels, np.eye(ACTIVE)[STEPS], logs)
    assert_allclose(logs[1 : 1 + STEPS], tops + np.log(seen.T[1 : 1 + STEPS]), rtol=1e-12)
    shares, step = rng.dirichlet(np.ones(ACTIVE)), 3
    let_stray(seen.T.copy(), tops, levels, shares, logs)
    # every level times that of the step, read off a straight line over the logarithms of levels, is level 1 at least
    places = np.interp(np.log(levels[step] * levels[1:ACTIVE]), np.log(levels[1:ACTIVE]), np.arange(1, ACTIVE))
    low = np.minimum(places.astype(int), ACTIVE - 2)
    upper = places - low
    parts = (1 - upper) * seen[:, low] + upper * seen[:, low + 1]
    assert_allclose(logs[step], tops + np.log(shares[0] * seen[:, 1] + parts @ shares[1:]), rtol=1e-12)
