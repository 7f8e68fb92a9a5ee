from __future__ import annotations

import math

import numpy as np
import pytest

from decussa.estimate import tracking
from decussa.model.errors import UsageError
from decussa.model.estimate import Estimate


def follow(at_mso: float, pulses: int, random: np.random.Generator, **setting: float) -> tracking.State:
    """A track of a person whose median response is 0.2 mV at ``at_mso``: slope 0.15 per % MSO, log SD 0.5."""
    state = tracking.start(first_mso=setting.pop("first_mso", 52.0), **setting)
    for _ in range(pulses):
        given = tracking.suggest(state)
        size = 200 * math.exp(0.15 * (given - at_mso) + 0.5 * random.standard_normal())
        state = tracking.learn(state, given, size)
    return state


@pytest.mark.parametrize(("size_uv", "step"), [(159.0, 1), (161.0, 0), (200.0, 0), (239.0, 0), (241.0, -1)])
def test_the_next_intensity_rises_below_the_tolerance_falls_above_it_and_stays_within(
    size_uv: float, step: int
) -> None:
    # 0.2 mV within 20 %: Fisher 2002, from memory
    state = tracking.learn(tracking.start(first_mso=50), 50, size_uv)
    assert tracking.suggest(state) == 50 + step


def test_the_track_finds_the_intensity_and_its_interval_holds_it() -> None:
    # 200 people, nominal 95 %: four binomial errors are 6 points below; the belief's scatter is wider than theirs
    random = np.random.default_rng(4)
    at = random.uniform(45, 65, 200)
    found = [tracking.summary(follow(a, 30, random)) for a in at]
    assert abs(np.mean([f.value - a for f, a in zip(found, at, strict=True)])) < 1
    assert np.mean([f.low <= a <= f.high for f, a in zip(found, at, strict=True)]) >= 0.89


def test_inhibition_between_two_tracks_has_an_interval_that_holds_the_truth() -> None:
    random = np.random.default_rng(5)
    held = 0
    for _ in range(150):
        alone, pair = follow(52, 30, random), follow(58.5, 30, random, first_mso=55.0)
        found = tracking.percent_inhibition_tracked(tracking.summary(alone), tracking.summary(pair))
        held += found.low <= 12.5 <= found.high
    assert held / 150 >= 0.89


def test_an_open_interval_stays_open() -> None:
    alone = Estimate(value=50.0, low=48.0, high=52.0, n=20)
    beyond = Estimate(value=95.0, low=80.0, high=math.inf, n=20, reason="most likely above the ceiling")
    found = tracking.percent_inhibition_tracked(alone, beyond)
    assert found.high == math.inf
    assert "ceiling" in found.reason


def test_the_published_figure_is_the_mean_of_what_was_within_tolerance() -> None:
    state = tracking.start(first_mso=50)
    for given, size in ((50, 100.0), (51, 190.0), (53, 210.0), (54, 900.0)):
        state = tracking.learn(state, given, size)
    assert tracking.mean_within_tolerance(state) == 52
    assert math.isnan(tracking.mean_within_tolerance(tracking.start(first_mso=50)))


def test_the_ceiling_is_kept() -> None:
    state = tracking.learn(tracking.start(first_mso=70, ceiling_mso=70), 70, 10.0)
    assert tracking.suggest(state) == 70


@pytest.mark.parametrize(
    "setting",
    [{"first_mso": 0}, {"first_mso": 101}, {"first_mso": 50, "tolerance": 0}, {"first_mso": 50, "target_uv": -1}],
)
def test_a_track_that_cannot_be_meant_is_refused(setting: dict[str, float]) -> None:
    with pytest.raises(UsageError):
        tracking.start(**setting)


@pytest.mark.parametrize("size", [math.nan, -1.0])
def test_a_size_that_is_none_is_refused(size: float) -> None:
    with pytest.raises(UsageError):
        tracking.learn(tracking.start(first_mso=50), 50, size)
