"""Order: balanced small blocks, short runs, the first trial as asked, the same for the same seed."""

from collections import Counter
from itertools import groupby, islice

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import chisquare

from decussa.model.errors import UsageError
from decussa.protocol.order import LONGEST_RUN, draw_waits, mixed_order

names = st.lists(st.sampled_from(["test alone", "SICI", "ICF", "LICI", "other"]), min_size=2, max_size=5, unique=True)


@settings(max_examples=300)
@given(names, st.integers(1, 20), st.integers(1, 3), st.integers(0, 2**32))
def test_every_order_is_balanced_with_short_runs_and_the_right_first_trial(conditions, trials, per_block, seed):
    blocks = mixed_order(conditions, trials, seed=seed, first=conditions[0], per_block=per_block)
    order = [name for block in blocks for name in block]

    assert order[0] == conditions[0]
    assert Counter(order) == dict.fromkeys(conditions, trials)
    assert max(len(list(run)) for _, run in groupby(order)) <= LONGEST_RUN
    assert all(len(set(Counter(block).values())) == 1 for block in blocks)


def test_the_same_seed_gives_the_same_order_and_another_seed_another():
    first, again, other = (mixed_order(["a", "b", "c"], 10, seed=seed) for seed in (1, 1, 2))

    assert first == again
    assert first != other


def test_one_condition_alone_is_simply_repeated():
    assert mixed_order(["a"], 5, seed=0) == (("a",),) * 5


def test_every_position_is_equally_likely_to_hold_each_condition():
    """Without a fixed first trial each of two conditions leads half of the orders: exact binomial limits at 1e-6."""
    leads = sum(mixed_order(["a", "b"], 1, seed=seed)[0][0] == "a" for seed in range(2000))

    assert 890 <= leads <= 1110


def test_waits_are_uniform_over_their_span():
    """Pearson's test against the uniform distribution, of which rounding gives each end half a tenth of a second."""
    waits = np.array([wait for seed in range(200) for wait in islice(draw_waits((5.0, 8.0), seed=seed), 100)])
    counts = np.bincount(np.round((waits - 5.0) * 10).astype(int), minlength=31)
    share = np.array([0.5, *[1.0] * 29, 0.5]) / 30

    assert waits.min() == 5.0
    assert waits.max() == 8.0
    assert chisquare(counts, share * waits.size).pvalue > 1e-4


def test_the_same_seed_draws_the_same_waits():
    first, again, other = (list(islice(draw_waits((6.0, 9.0), seed=seed), 20)) for seed in (1, 1, 2))

    assert first == again
    assert first != other


@pytest.mark.parametrize("bad", [([], 3, ""), (["a"], 0, ""), (["a"], 1, "b")])
def test_an_impossible_order_is_refused(bad):
    conditions, trials, first = bad
    with pytest.raises(UsageError):
        mixed_order(conditions, trials, seed=0, first=first)
