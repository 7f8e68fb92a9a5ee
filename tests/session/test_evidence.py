"""What a screen draws of a running step agrees with what the estimators say of the same numbers."""

import math

import pytest

import decussa as dc
from decussa.estimate import ratio_stopping
from decussa.model.dialogue import Ask, Deliver, Trial
from decussa.model.estimate import Estimate
from decussa.model.stimulus import Stimulus
from decussa.model.trial import ACCEPT, Verdict
from decussa.session.evidence import evidence_of
from decussa.session.live_view import Given, LiveView

MUSCLE = "FDI right"
REJECT = Verdict("reject", "background", "too much")


def given(stimulus, values, *, condition="", contraction=0.0, verdict=ACCEPT, said="", number=1, site=None):
    request = Deliver(
        stimulus=stimulus, step="step", condition=condition, muscle=MUSCLE, contraction_pct=contraction, site_cm=site
    )
    trial = Trial(number=number, values={MUSCLE: values}, verdict=verdict)
    return Given(request=request, trial=trial, entry=number, said=said)


def sized(stimulus, size_uv, **more):
    return given(stimulus, {"amplitude_uv": size_uv, "size_uv": size_uv}, **more)


ALONE_UV = (820.0, 1010.0, 760.0, 930.0, 880.0, 905.0)
PAIRED_UV = (310.0, 455.0, 290.0, 402.0, 377.0, 341.0)


def paired_block():
    """Test pulses alone and pairs in turn, of the sizes above."""
    trials = []
    for size, conditioned in zip(ALONE_UV, PAIRED_UV, strict=True):
        trials.append(sized(Stimulus.single(60), size, condition="test alone"))
        trials.append(sized(Stimulus.paired(35, 60, 3), conditioned, condition="SICI"))
    return LiveView(given=tuple(trials))


def test_a_ratio_so_far_is_the_ratio_of_the_trials_so_far():
    (so_far,) = evidence_of(paired_block(), with_curve=False).ratios
    expected = dc.ratio(PAIRED_UV, ALONE_UV)
    assert so_far.name == "SICI"
    assert so_far.n == 6
    assert (so_far.now.value, so_far.now.low, so_far.now.high) == (expected.value, expected.low, expected.high)
    assert len(so_far.earlier) == 2
    assert so_far.earlier[0].high - so_far.earlier[0].low > so_far.now.high - so_far.now.low


def test_where_a_block_may_stop_the_ratio_drawn_is_the_one_it_stops_by():
    (so_far,) = evidence_of(paired_block(), with_curve=False, may_stop=True).ratios
    rule = ratio_stopping.summary(ratio_stopping.of_block(PAIRED_UV, ALONE_UV, within=1.5, fewest=2, most=40))
    assert (so_far.now.value, so_far.now.low, so_far.now.high) == (rule.value, rule.low, rule.high)
    (fixed,) = evidence_of(paired_block(), with_curve=False).ratios
    assert so_far.now.high > fixed.now.high
    assert all(ours.high > theirs.high for ours, theirs in zip(so_far.earlier, fixed.earlier, strict=True))


def test_what_was_rejected_by_rule_or_by_the_operator_counts_nowhere():
    kept = [sized(Stimulus.single(60), 800.0, condition="test alone", site=(5.0, 0.0)) for _ in range(3)]
    spoilt = [
        sized(Stimulus.single(60), 9000.0, condition="test alone", site=(5.0, 0.0), verdict=REJECT),
        sized(Stimulus.single(60), 9000.0, condition="test alone", site=(5.0, 0.0), said="reject"),
    ]
    evidence = evidence_of(LiveView(given=(*kept, *spoilt)), with_curve=False)
    (site,) = evidence.sites
    assert (site.mean_uv, site.n) == (800.0, 3)
    assert [point.kind for point in evidence.sizes[MUSCLE]] == ["accept"] * 3 + ["reject"] * 2


def test_a_trial_that_the_operator_accepts_against_the_rules_counts():
    trials = (sized(Stimulus.single(60), 700.0, verdict=REJECT, said="accept", site=(1.0, 1.0)),)
    assert evidence_of(LiveView(given=trials), with_curve=False).sites[0].n == 1


def test_a_contraction_is_told_in_percent_of_the_maximal_one_that_was_found():
    held = given(Stimulus.single(60), {"background_rms_uv": 60.0}, contraction=15.0)
    mvc = {f"{MUSCLE}/mvc": Estimate(value=400.0)}
    (known,) = evidence_of(LiveView(given=(held,), results=mvc), with_curve=False).held
    assert (known.level_pct, known.asked_pct) == (15.0, 15.0)
    (unknown,) = evidence_of(LiveView(given=(held,)), with_curve=False).held
    assert math.isnan(unknown.level_pct)


def test_efforts_are_the_answers_to_the_question_for_a_maximal_contraction():
    asks = [Ask(key=key, text="?", kind="number", step="mvc") for key in ("mvc", "other", "mvc")]
    answers = tuple(zip(asks, (380.0, 3.0, 410.0), strict=True))
    assert evidence_of(LiveView(answers=answers), with_curve=False).efforts == (380.0, 410.0)


def test_the_curve_so_far_is_the_fitted_curve_and_is_not_drawn_from_a_handful():
    levels = [40, 46, 52, 58, 64, 70] * 4
    sizes = [
        2000 / (1 + math.exp(-(level - 55) / 3)) * (0.8 + 0.1 * (place % 5)) + 12 for place, level in enumerate(levels)
    ]
    trials = tuple(sized(Stimulus.single(level), size) for level, size in zip(levels, sizes, strict=True))
    curve = evidence_of(LiveView(given=trials), with_curve=True).curve
    fitted = dc.fit_recruitment(levels, sizes)
    assert curve.s50 == fitted.s50
    assert curve.size_uv == pytest.approx(fitted.predict(curve.at_mso))
    assert all(low <= size <= high for low, size, high in zip(curve.low_uv, curve.size_uv, curve.high_uv, strict=True))
    assert evidence_of(LiveView(given=trials[:8]), with_curve=True).curve is None
    assert evidence_of(LiveView(given=trials), with_curve=False).curve is None
