"""What the four published procedures share, and where each stops."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decussa.estimate.threshold import bayesian_hunting, five_of_ten, likelihood_hunting, two_threshold
from decussa.model.errors import UsageError

STARTS = {
    "five_of_ten": lambda **more: five_of_ten.start(start_mso=60, **more),
    "two_threshold": lambda **more: two_threshold.start(start_mso=35, **more),
    "likelihood_hunting": likelihood_hunting.start,
    "bayesian_hunting": bayesian_hunting.start,
}
MODULES = {
    "five_of_ten": five_of_ten,
    "two_threshold": two_threshold,
    "likelihood_hunting": likelihood_hunting,
    "bayesian_hunting": bayesian_hunting,
}
COUNTING = [five_of_ten, two_threshold]
every_procedure = pytest.mark.parametrize("name", STARTS)


def count(module, state, person):
    while not module.done(state):
        intensity = module.suggest(state)
        state = module.learn(state, intensity, response=person(intensity))
    return state


@every_procedure
def test_a_person_without_variability_is_found_within_1_mso(name):
    module, state = MODULES[name], STARTS[name]()
    for _ in range(400):
        if module in COUNTING and module.done(state):
            break
        intensity = module.suggest(state)
        state = module.learn(state, intensity, response=intensity >= 47.5)
    assert module.summary(state).value == pytest.approx(47.5, abs=1)


@every_procedure
def test_a_size_counts_as_a_response_from_the_criterion_on(name):
    module, state = MODULES[name], STARTS[name](criterion_uv=100)
    first = module.suggest(state)
    for size, answer in ((99.9, False), (100.0, True)):
        assert module.learn(state, first, size) == module.learn(state, first, response=answer)


@every_procedure
@pytest.mark.parametrize("outcome", [{"amplitude_uv": 0.0}, {"amplitude_uv": math.nan}, {}])
def test_an_outcome_that_is_none_is_refused(name, outcome):
    module, state = MODULES[name], STARTS[name]()
    with pytest.raises(UsageError):
        module.learn(state, module.suggest(state), **outcome)


@every_procedure
@pytest.mark.parametrize("intensity_mso", [-1.0, 101.0, math.nan])
def test_an_intensity_no_stimulator_gives_is_refused(name, intensity_mso):
    module = MODULES[name]
    with pytest.raises(UsageError):
        module.learn(STARTS[name](), intensity_mso, response=True)


@every_procedure
@pytest.mark.parametrize("setting", [{"criterion_uv": 0.0}, {"step_mso": 0.0}, {"step_mso": math.nan}])
def test_settings_that_cannot_be_meant_are_refused(name, setting):
    with pytest.raises(UsageError):
        STARTS[name](**setting)


@every_procedure
@given(answers=st.lists(st.booleans(), max_size=40))
@settings(deadline=None, max_examples=25)
def test_any_answers_keep_suggestions_within_the_stimulators_range(name, answers):
    module, state = MODULES[name], STARTS[name]()
    for answer in answers:
        if module in COUNTING and module.done(state):
            return
        intensity = module.suggest(state)
        assert 0 <= intensity <= 100
        state = module.learn(state, intensity, response=answer)


@pytest.mark.parametrize("module", COUNTING)
@given(start_mso=st.integers(0, 100), step_mso=st.sampled_from([0.5, 1, 2, 7]), seed=st.randoms(use_true_random=False))
@settings(deadline=None, max_examples=25)
def test_counting_always_ends(module, start_mso, step_mso, seed):
    state = module.start(start_mso=start_mso, step_mso=step_mso)
    for _ in range(5000):
        if module.done(state):
            break
        state = module.learn(state, module.suggest(state), response=seed.random() < 0.5)
    assert module.done(state)
    found = module.summary(state)
    assert 0 <= found.value <= 100 or (math.isnan(found.value) and found.reason)


@pytest.mark.parametrize("module", COUNTING)
def test_counting_counts_only_the_level_in_hand_and_nothing_after_the_end(module):
    state = module.start(start_mso=50)
    with pytest.raises(UsageError, match="50 % MSO"):
        module.learn(state, 51, response=True)
    ended = count(module, state, lambda s: s >= 48)
    with pytest.raises(UsageError, match="done"):
        module.learn(ended, module.suggest(ended), response=True)


@pytest.mark.parametrize("module", COUNTING)
def test_counting_has_no_value_before_its_end_and_no_interval_after(module):
    state = module.start(start_mso=50)
    assert math.isnan(module.summary(state).value)
    assert module.summary(state).reason == "search is not finished"
    found = module.summary(count(module, state, lambda s: s >= 48))
    assert math.isnan(found.low)
    assert "no interval" in found.reason


@pytest.mark.parametrize(("module", "answer"), [(five_of_ten, False), (two_threshold, False), (two_threshold, True)])
def test_a_person_who_never_or_always_responds_has_no_value_but_a_reason(module, answer):
    found = module.summary(count(module, module.start(start_mso=50), lambda _: answer))
    assert math.isnan(found.value)
    assert found.reason.startswith("no ")


def test_five_of_ten_raises_a_start_that_lies_below_threshold():
    ended = count(five_of_ten, five_of_ten.start(start_mso=40), lambda s: s >= 52)
    assert five_of_ten.summary(ended).value == 52


def test_two_threshold_lowers_a_start_that_responds():
    ended = count(two_threshold, two_threshold.start(start_mso=60), lambda s: s >= 52)
    assert two_threshold.summary(ended).value == 51.5


def test_hunting_says_its_interval_is_open_where_only_one_side_was_seen():
    state = likelihood_hunting.start()
    found = likelihood_hunting.summary(likelihood_hunting.learn(state, 45, response=True))
    assert found.low == -math.inf
    assert found.high < 100


def test_bayesian_hunting_with_a_prior_starts_at_its_mean():
    assert bayesian_hunting.suggest(bayesian_hunting.start(mean_mso=47, sd_mso=10)) == 47
