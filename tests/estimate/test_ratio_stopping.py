from __future__ import annotations

import math

import numpy as np
import pytest

from decussa.estimate import ratio_stopping
from decussa.estimate.ratio import ratio
from decussa.model.errors import UsageError


def run(random: np.random.Generator, truth: float, variations: tuple[float, float]) -> ratio_stopping.State:
    """One block of log-normal sizes, stopped by the rule."""
    spread = [math.sqrt(math.log1p(variation**2)) for variation in variations]
    state = ratio_stopping.start(within=1.5)
    while not ratio_stopping.done(state):
        condition = ratio_stopping.suggest(state)
        which = condition == "unconditioned"
        size = (1 if which else truth) * random.lognormal(-(spread[which] ** 2) / 2, spread[which])
        state = ratio_stopping.learn(state, condition, 800 * size)
    return state


def test_conditions_take_turns_and_the_unconditioned_comes_first() -> None:
    state = ratio_stopping.start()
    given = []
    for _ in range(4):
        given.append(ratio_stopping.suggest(state))
        state = ratio_stopping.learn(state, given[-1], 500.0)
    assert given == ["unconditioned", "conditioned"] * 2


def test_there_is_no_look_before_the_fewest_trials_and_an_end_at_the_most() -> None:
    random = np.random.default_rng(1)
    state = ratio_stopping.start(within=1.0001, fewest=5, most=8)
    while not ratio_stopping.done(state):
        state = ratio_stopping.learn(state, ratio_stopping.suggest(state), random.lognormal(6, 0.5))
    assert state.n == 16
    constant = ratio_stopping.start(within=1.5, fewest=5, most=8)
    while not ratio_stopping.done(constant):
        constant = ratio_stopping.learn(constant, ratio_stopping.suggest(constant), 500.0)
    assert constant.n == 10


def test_the_interval_is_that_of_a_fixed_number_widened_on_the_log_scale_and_the_rule_is_said() -> None:
    state = run(np.random.default_rng(2), 0.4, (0.6, 0.5))
    found = ratio_stopping.summary(state)
    fixed = ratio(state.conditioned_uv, state.unconditioned_uv)
    assert found.value == fixed.value
    assert math.log(found.high / found.value) == pytest.approx(1.05 * math.log(fixed.high / fixed.value), rel=1e-9)
    assert "within a factor of 1.5" in found.method


def test_stopping_keeps_the_level() -> None:
    # 600 blocks of people who vary unequally: nominal 95 %, four binomial errors are 3.6 points.
    random = np.random.default_rng(3)
    held = 0
    for _ in range(600):
        found = ratio_stopping.summary(run(random, 0.4, (random.uniform(0.4, 0.9), random.uniform(0.4, 0.9))))
        held += found.low <= 0.4 <= found.high
    assert abs(held / 600 - 0.95) < 4 * math.sqrt(0.95 * 0.05 / 600)


def test_no_trial_gives_no_ratio_and_says_so() -> None:
    assert ratio_stopping.summary(ratio_stopping.start()).reason == "no conditioned trial"


@pytest.mark.parametrize(("within", "fewest", "most"), [(1.0, 10, 40), (math.inf, 10, 40), (1.5, 1, 40), (1.5, 20, 10)])
def test_a_rule_that_cannot_be_meant_is_refused(within: float, fewest: int, most: int) -> None:
    with pytest.raises(UsageError):
        ratio_stopping.start(within=within, fewest=fewest, most=most)


@pytest.mark.parametrize("size", [math.nan, -1.0, math.inf])
def test_a_size_that_is_none_is_refused(size: float) -> None:
    with pytest.raises(UsageError, match="amplitude_uv"):
        ratio_stopping.learn(ratio_stopping.start(), "conditioned", size)


def test_an_unknown_condition_is_refused() -> None:
    with pytest.raises(UsageError, match="ondition"):
        ratio_stopping.learn(ratio_stopping.start(), "other", 1.0)  # type: ignore[arg-type]
