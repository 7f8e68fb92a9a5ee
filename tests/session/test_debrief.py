"""The debrief says in words what was found against what was true."""

import math

from decussa.model.estimate import Estimate
from decussa.session.debrief import Comparison, debrief, truth_pairs
from decussa.session.live_view import view_of
from tests.session.stage import go, make_study


def comparison(value, low, high, truth):
    return Comparison(
        name="FDI right, threshold", found=Estimate(value=value, low=low, high=high), truth=truth, unit="% MSO"
    )


def test_an_interval_that_holds_the_truth_is_said_to():
    said = comparison(51.8, 48.9, 54.6, 50.2).sentence()

    assert said == "FDI right, threshold: found 51.8 % MSO, true 50.2 % MSO, off by 1.6 % MSO; the interval holds it."


def test_an_interval_that_misses_is_said_to():
    assert "misses" in comparison(51.8, 50.9, 52.6, 48.0).sentence()


def test_what_was_not_found_is_said_with_its_reason():
    found = Estimate(reason="no response up to 100 % MSO")
    said = Comparison(name="x", found=found, truth=110.0, unit="% MSO").sentence()

    assert said == "x: not found (no response up to 100 % MSO); true is 110 % MSO."


def test_only_what_has_a_truth_is_compared():
    pairs = truth_pairs(
        {"FDI right/rmt": Estimate(value=50), "FDI right/mvc": Estimate(value=400)},
        {"FDI right": {"rest_threshold_mso": 51.0}},
        {"rmt": ("rest_threshold_mso", "resting threshold", "% MSO")},
    )

    assert [pair.name for pair in pairs] == ["FDI right, resting threshold"]
    assert pairs[0].held is None or math.isnan(pairs[0].found.low)


def test_a_whole_session_is_talked_over(tmp_path):
    entries = go(make_study(tmp_path / "study")).entries
    said = debrief((), entries, view_of(entries), rest_limit_uv=10).sentences()

    assert any("stimuli" in sentence for sentence in said)
    assert any("threshold: " in sentence for sentence in said)
    assert any("discomfort" in sentence for sentence in said)
