from __future__ import annotations

import math

import numpy as np
import pytest

from decussa.estimate import target_size
from decussa.model.errors import UsageError


def search(random: np.random.Generator, pulses: int) -> tuple[float, target_size.TargetState]:
    """A person with a saturating curve, which is not the model's line; returns the setting of 0.71 mV and the search."""
    top, s50, k = random.uniform(2000, 6000), random.uniform(55, 75), random.uniform(3, 6)
    sought = s50 - k * math.log(top / math.sqrt(500 * 1000) - 1)
    state = target_size.start(threshold_mso=sought / random.uniform(1.15, 1.35))
    for _ in range(pulses):
        given = target_size.suggest(state)
        size = top / (1 + math.exp((s50 - given) / k)) * random.lognormal(0, 0.5)
        state = target_size.learn(state, given, size)
    return sought, state


def test_twenty_pulses_find_the_setting_and_the_interval_holds_it() -> None:
    # nominal 95 %: four binomial errors of 80
    random = np.random.default_rng(1)
    off, held = [], 0
    for _ in range(80):
        sought, state = search(random, 20)
        found = target_size.summary(state)
        off.append(abs(found.value - sought))
        held += found.low <= sought <= found.high
    assert np.median(off) < 1.5
    assert held / 80 >= 0.95 - 4 * math.sqrt(0.95 * 0.05 / 80)


def test_before_any_response_the_setting_follows_from_the_threshold() -> None:
    # 1 mV at about 1.25 times the resting threshold: 66.7 over 53.7 % MSO, Silbert 2013, Clin Neurophysiol 124:708
    assert target_size.suggest(target_size.start(threshold_mso=52)) == pytest.approx(66, abs=2)
    assert target_size.summary(target_size.start()).n == 0


def test_the_ceiling_is_kept_and_a_setting_beyond_it_said() -> None:
    state = target_size.start(threshold_mso=60, ceiling_mso=70)
    for _ in range(10):
        assert target_size.suggest(state) <= 70
        state = target_size.learn(state, 70, 60.0)
    assert "above the ceiling" in target_size.summary(state).reason


def test_a_size_at_the_noise_only_says_that_the_setting_is_higher() -> None:
    state = target_size.start(threshold_mso=50)
    low, lower = (target_size.learn(state, 60, size, noise_uv=40) for size in (40.0, 5.0))
    assert target_size.summary(low) == target_size.summary(lower)
    assert target_size.summary(low).value > target_size.summary(state).value


@pytest.mark.parametrize(("intensity", "size"), [(50, math.nan), (50, -1.0), (-1, 100.0), (101, 100.0)])
def test_what_is_no_response_is_refused(intensity: float, size: float) -> None:
    with pytest.raises(UsageError, match="esponse"):
        target_size.learn(target_size.start(), intensity, size)


def test_a_range_that_cannot_be_meant_is_refused() -> None:
    with pytest.raises(UsageError, match="ange"):
        target_size.start(low_uv=1000, high_uv=500)
