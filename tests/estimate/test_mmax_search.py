from __future__ import annotations

import math

import numpy as np
import pytest

from decussa.estimate import mmax_search
from decussa.model.errors import UsageError


def search(random: np.random.Generator, **setting: float) -> tuple[float, mmax_search.State]:
    """A nerve whose axons' thresholds are log-normal, not logistic as in the model; returns its Mmax and the search."""
    top, middle, spread = random.uniform(4000, 16000), random.uniform(12, 30), random.uniform(0.1, 0.25)
    limits = random.lognormal(math.log(middle), spread, 400)
    state = mmax_search.start(**setting)
    while not mmax_search.done(state):
        current = mmax_search.suggest(state)
        size = top * np.mean(limits <= current) * math.exp(0.03 * random.standard_normal()) + 20 * random.random()
        state = mmax_search.learn(state, current, float(size))
    return top, state


def test_mmax_of_nerves_of_another_shape_lies_in_its_interval_and_is_near() -> None:
    # nominal 95 %: four binomial errors of 20
    random = np.random.default_rng(1)
    held, off = 0, []
    for _ in range(20):
        top, state = search(random)
        found = mmax_search.summary(state)
        held += found.low <= top <= found.high
        off.append(abs(found.value / top - 1))
    assert np.median(off) < 0.03
    assert held / 20 >= 0.95 - 4 * math.sqrt(0.95 * 0.05 / 20)


def test_the_plateau_is_confirmed_above_it_and_not_beyond_the_ceiling() -> None:
    _, state = search(np.random.default_rng(2))
    supramaximal = [i for i in state.currents_ma if i == state.currents_ma[-1]]
    assert len(supramaximal) >= 3
    assert max(state.currents_ma) <= 100
    assert mmax_search.plateau_probability(state, max(state.currents_ma)) >= 0.9


def test_a_ceiling_below_the_plateau_ends_the_search_and_says_that_mmax_may_be_larger() -> None:
    random = np.random.default_rng(3)
    state = mmax_search.start(ceiling_ma=20)
    while not mmax_search.done(state):
        current = mmax_search.suggest(state)
        state = mmax_search.learn(state, current, 9000 / (1 + math.exp((25 - current) / 3)) * random.lognormal(0, 0.03))
    found = mmax_search.summary(state)
    assert max(state.currents_ma) == 20
    assert "may be larger" in found.reason
    assert found.high > 5000


def test_no_m_wave_up_to_the_ceiling_is_said() -> None:
    state = mmax_search.start(ceiling_ma=30, step_ma=10)
    while not mmax_search.done(state):
        state = mmax_search.learn(state, mmax_search.suggest(state), 15.0)
    assert mmax_search.summary(state).reason == "no M-wave up to 30 mA"
    assert mmax_search.summary(mmax_search.start()).reason == "no M-wave"


def test_growing_sizes_are_no_plateau() -> None:
    state = mmax_search.start()
    for current, size in ((5, 200), (10, 900), (15, 2400), (20, 4500)):
        state = mmax_search.learn(state, current, size)
    assert mmax_search.plateau_probability(state, 20) < 0.5
    assert mmax_search.suggest(state) == 25


@pytest.mark.parametrize(
    "setting", [{"start_ma": 0}, {"start_ma": 120}, {"step_ma": 0}, {"supramaximal": 0.9}, {"confirm": 0}]
)
def test_settings_that_cannot_be_meant_are_refused(setting: dict[str, float]) -> None:
    with pytest.raises(UsageError):
        mmax_search.start(**setting)


@pytest.mark.parametrize(("current", "size"), [(10, math.nan), (10, -1), (0, 100), (math.inf, 100)])
def test_what_is_no_m_wave_is_refused(current: float, size: float) -> None:
    with pytest.raises(UsageError, match="M-wave"):
        mmax_search.learn(mmax_search.start(), current, size)
