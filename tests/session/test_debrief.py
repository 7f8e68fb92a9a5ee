"""The debrief says in words what was found against what was true."""

import math
from dataclasses import replace

from decussa.model.dialogue import Trial
from decussa.model.estimate import Estimate
from decussa.model.trial import Verdict
from decussa.session.debrief import Comparison, debrief, truth_pairs
from decussa.session.live_view import view_of
from decussa.session.operator import verdict_said
from decussa.store.preparing import Waived
from decussa.store.records import Correction, StepMark
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
    assert all(sentence[0].isupper() or sentence[0].isdigit() for sentence in said)
    assert any("discomfort" in sentence for sentence in said)


def axis(quantity, value, truth):
    return Comparison(name=quantity, found=Estimate(value=value), truth=truth, unit="cm", quantity=quantity)


def test_the_hotspots_distance_is_said_beside_what_one_examiner_repeats(tmp_path):
    entries = go(make_study(tmp_path / "study")).entries
    for x_cm, words in (
        (-4.9, "5 mm from the true one, within the 8.1 mm"),
        (-3.7, "16 mm from the true one, more than"),
    ):
        told = debrief(
            (axis("hotspot_x", x_cm, -5.2), axis("hotspot_y", 0.6, 0.2)), entries, view_of(entries), rest_limit_uv=10
        )

        # 3-4-5: 0.3 and 0.4 cm are 5 mm; 1.5 and 0.4 cm are 16 mm.
        assert words in told.remarks[0]


def test_rules_that_were_set_aside_are_said(tmp_path):
    entries = list(go(make_study(tmp_path / "study")).entries)
    at = next(index for index, entry in enumerate(entries) if isinstance(entry.body, Trial))
    rejected = replace(
        entries[at], body=replace(entries[at].body, verdict=Verdict("reject", "background", "background 40 µV"))
    )
    taken = replace(
        rejected, kind="correction", body=Correction(entry=rejected.number, text=verdict_said("accept"), operator="OP1")
    )
    waived = replace(rejected, kind="waived", body=Waived(item="second person", role="lead", reason="in the next room"))
    left = replace(rejected, kind="step skipped", body=StepMark(step="Mmax"))
    journal = [*entries[:at], rejected, taken, waived, left]
    said = debrief((), journal, view_of(entries), rest_limit_uv=10).remarks

    assert "Waived in the preparation: second person." in said
    assert "Steps left out: Mmax." in said
    assert "Trials that the rules rejected and the operator accepted: 1." in said
