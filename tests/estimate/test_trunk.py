from __future__ import annotations

import numpy as np
import pytest

from decussa.estimate import threshold, trunk
from decussa.model.errors import UsageError


def steps(responds_from_mso: float, pulses: int = 2) -> tuple[list[float], trunk.State]:
    """Levels given to a person who responds from an intensity on, and the state at the end."""
    state, given = trunk.start(pulses=pulses), []
    while not trunk.done(state):
        given.append(trunk.suggest(state))
        state = trunk.learn(state, given[-1], response=given[-1] >= responds_from_mso)
    return given, state


@pytest.mark.parametrize(
    ("responds_from_mso", "levels", "base"),
    [
        (55, [50, 50], 50),
        (45, [50, 40, 40], 40),
        (35, [50, 40, 30, 30], 30),
        (25, [50, 40, 30, 20, 20], 20),
        (15, [50, 40, 30, 20], 20),
    ],
)
def test_levels_go_down_until_one_is_silent(responds_from_mso: float, levels: list[float], base: float) -> None:
    given, state = steps(responds_from_mso)
    assert given == levels
    assert trunk.summary(state).value == base
    assert trunk.level_for_test_mso(state) == base + 40
    assert trunk.level_for_test_mso(state, ceiling_mso=70) == min(base + 40, 70)


def test_a_base_that_responds_says_that_it_may_lie_above_threshold() -> None:
    _, state = steps(15)
    assert "may lie above threshold" in trunk.summary(state).reason
    assert trunk.below_threshold_probability(state) < 0.5


def test_more_silent_pulses_make_a_base_below_threshold_more_probable() -> None:
    few, many = (trunk.below_threshold_probability(steps(55, pulses)[1]) for pulses in (1, 5))
    assert 0.5 < few < many < 1
    assert f"probability of {many:.2f}" in trunk.summary(steps(55, 5)[1]).method


def test_the_probability_is_as_good_as_its_word() -> None:
    # 250 invented people, thresholds log-normal around 60 % MSO, spread 0.07 (Awiszus 2003): among those whose base is said to
    # be below threshold with a mean probability, that share is; four binomial errors and 5 points for their prior
    random = np.random.default_rng(1)
    said, true = [], []
    for t in 58 * np.exp(0.3 * random.standard_normal(250)):
        state = trunk.start()
        while not trunk.done(state):
            level = trunk.suggest(state)
            state = trunk.learn(state, level, response=bool(level + 0.07 * t * random.standard_normal() >= t))
        said.append(trunk.below_threshold_probability(state))
        true.append(t > trunk.suggest(state))
    share = float(np.mean(true))
    assert float(np.mean(said)) == pytest.approx(share, abs=0.05 + 4 * np.sqrt(share * (1 - share) / 250))


def test_the_probability_above_agrees_with_the_quantiles() -> None:
    state = threshold.learn(threshold.start(), 50, response=True)
    found = threshold.summary(state)
    assert threshold.probability_above(state, found.low) == pytest.approx(0.975, abs=0.01)
    assert threshold.probability_above(state, found.high) == pytest.approx(0.025, abs=0.01)


@pytest.mark.parametrize(("start_mso", "pulses"), [(10, 2), (101, 2), (50, 0)])
def test_steps_that_cannot_be_meant_are_refused(start_mso: float, pulses: int) -> None:
    with pytest.raises(UsageError):
        trunk.start(start_mso=start_mso, pulses=pulses)


def test_the_probability_from_a_list_of_pulses_is_that_of_the_steps() -> None:
    given, state = steps(45)
    pulses = [(level, level >= 45) for level in given]
    assert trunk.probability_below(40, pulses) == pytest.approx(trunk.below_threshold_probability(state), rel=1e-9)
