"""What a plan does where an intensity is refused, nothing responds, or an earlier session knows something."""

import math
from collections import Counter

import pytest

from decussa.model.dialogue import Deliver, Refused, Show
from decussa.model.estimate import Estimate
from decussa.plan.compare import compare
from decussa.plan.session import session_plan
from decussa.protocol.schema import load_protocol, protocol_text, read_protocol
from tests.plan.people import Textbook, run, trial

HAND = load_protocol("hand")[0]
LUMBAR = load_protocol("lumbar")[0]
PATIENT = load_protocol("patient")[0]


class Sensitive(Textbook):
    """Says 8 of 10 from ``limit`` % MSO on, 2 below."""

    def __init__(self, protocol, threshold, limit):
        super().__init__(protocol, threshold=threshold)
        self.limit = limit

    def reply(self, request):
        self.rating = 8.0 if getattr(request, "intensity_mso", 0) >= self.limit else 2.0
        return super().reply(request)


def magnetic(asked, step):
    return [
        request
        for request in asked
        if isinstance(request, Deliver) and request.step == step and request.stimulus.stim_type != "nerve"
    ]


def words(asked, step):
    return " ".join(request.text for request in asked if isinstance(request, Show) and request.step == step)


def test_a_hunt_goes_on_below_what_is_tolerated():
    asked, _, found = run(session_plan(HAND, seed=1), Sensitive(HAND, threshold=48.0, limit=60.0))
    rmt = found["FDI right/rmt"]

    assert rmt.low <= 48.0 <= rmt.high
    assert max(request.stimulus.intensity_mso for request in magnetic(asked, "threshold")) <= 60


def test_no_response_up_to_what_is_tolerated_is_a_result_with_the_rating():
    _, _, found = run(session_plan(HAND, seed=1), Sensitive(HAND, threshold=140.0, limit=70.0))
    rmt = found["FDI right/rmt"]

    assert math.isnan(rmt.value)
    assert rmt.low < 70
    assert "70 % MSO was rated 8 of 10" in rmt.reason


def test_a_curve_leaves_out_only_what_is_not_tolerated():
    asked, _, found = run(session_plan(HAND, seed=1), Sensitive(HAND, threshold=48.0, limit=65.0))
    given = Counter(request.stimulus.intensity_mso for request in magnetic(asked, "recruitment curve"))
    planned = [round(found["FDI right/rmt"].value * share) for share in (0.9, 1.0, 1.1, 1.2, 1.3, 1.4)]

    # What was rated too much was given once; everything below as often as planned.
    assert [given[level] for level in planned] == [8, 8, 8, 8, 8, 1]
    assert f"{planned[-1]} % MSO was rated 8 of 10" in words(asked, "recruitment curve")


def test_a_trunk_level_that_is_not_reached_names_the_rating_and_what_was_given():
    asked, _, found = run(session_plan(LUMBAR, seed=1), Sensitive(LUMBAR, threshold=75.0, limit=70.0))
    test = found["LES left/trunk_test"]

    assert "90 % MSO was not given: 70 % MSO was rated 8 of 10" in test.reason
    assert "2 pulses were given on the way, up to 60 % MSO is tolerated today" in test.reason
    assert "70 % MSO was rated 8 of 10" in words(asked, "response at base + 40")


@pytest.mark.parametrize("limit", ["pulse total", "time total"])
def test_a_step_that_may_give_nothing_finds_nothing_and_says_which_limit(limit):
    class Spent(Textbook):
        def reply(self, request):
            if isinstance(request, Deliver) and request.step in ("hotspot", "threshold", "test intensity", "mmax"):
                return Refused(limit=limit, reason="enough for today")
            return super().reply(request)

    _, _, found = run(session_plan(HAND, seed=1), Spent(HAND))

    for quantity in ("hotspot_x", "rmt", "test_intensity", "mmax"):
        assert math.isnan(found[f"FDI right/{quantity}"].value)
        assert "enough for today" in found[f"FDI right/{quantity}"].reason


def test_background_that_fluctuates_is_not_taken_for_an_active_threshold():
    """A contracted muscle without any response: its background alone is larger than the criterion, now more, now less."""

    class Tense(Textbook):
        def reply(self, request):
            if not isinstance(request, Deliver) or not request.contraction_pct:
                return super().reply(request)
            self.number += 1
            size, noise = [(410.0, 280.0), (340.0, 320.0), (290.0, 200.0), (170.0, 260.0)][self.number % 4]
            answer = trial(self.number, dict.fromkeys(self.labels, size), response=0.2)
            values = {label: {**one, "noise_uv": noise} for label, one in answer.values.items()}
            return type(answer)(number=answer.number, values=values, verdict=answer.verdict)

    _, _, found = run(session_plan(PATIENT, seed=1), Tense(PATIENT, threshold=160.0))
    amt = found["FDI left/amt"]

    assert math.isnan(amt.value)
    assert "no response up to 100 % MSO" in amt.reason


def test_a_hotspot_is_found_where_only_high_intensities_respond():
    _, _, found = run(session_plan(HAND, seed=1), Textbook(HAND, threshold=78.0))

    assert found["FDI right/hotspot_x"].value == pytest.approx(-HAND.coil.start_cm[0] + 1.0, abs=0.8)


def later(fixed, begin_from="population"):
    text = protocol_text("patient").replace(
        'intensity_at_later_time_points = "set anew"', f'intensity_at_later_time_points = "{fixed}"'
    )
    text = text.replace('kind = "threshold"', f'kind = "threshold"\nbegin_from = "{begin_from}"')
    protocol = read_protocol(text)
    before = {"FDI left/rmt": Estimate(value=50.0, low=48.0, high=52.0, n=12)}
    asked, _, found = run(session_plan(protocol, seed=2, before=before), Textbook(protocol, threshold=61.0))
    levels = {r.stimulus.intensity_mso for r in magnetic(asked, "response, affected") if r.condition != "climb"}
    return asked, found, levels


def test_fixed_intensities_are_those_of_the_earlier_session():
    _, found, levels = later("fixed")

    assert levels == {60}
    assert found["FDI left/rmt"].value == pytest.approx(61.0, abs=4)


def test_intensities_set_anew_follow_todays_threshold():
    _, found, levels = later("set anew")

    assert levels == {round(1.2 * found["FDI left/rmt"].value)}


def test_a_threshold_that_moved_is_said_and_nothing_is_decided():
    asked, _, _ = later("set anew")
    said = words(asked, "threshold, affected")

    assert "50.0 [48.0, 52.0] % MSO in the earlier session" in said
    assert "look at coil, electrodes and state" in said


def test_a_later_hunt_knows_nothing_of_the_earlier_threshold_unless_the_protocol_says_so():
    """An earlier threshold as the prior pulls the later one towards it: no default for a study of change."""
    unbiased, leaning = (
        later("set anew", begin_from)[1]["FDI left/rmt"] for begin_from in ("population", "earlier session")
    )

    assert "prior: population" in unbiased.method
    assert "prior: earlier session, 50.0 % MSO" in leaning.method


def test_a_re_check_places_the_threshold_by_its_own_pulses():
    protocol = load_protocol("forearm")[0]
    asked, _, found = run(session_plan(protocol, seed=1), Textbook(protocol))
    now = found["FCR left/rmt_recheck"]

    assert now.n == 5
    assert now.low <= 47.0 <= now.high
    assert "the intervals meet" in words(asked, "re-check")


def test_a_comparison_with_nothing_found_says_why():
    none = Estimate(reason="no response up to 100 % MSO")
    said = compare("rmt", Estimate(value=50.0, low=48.0, high=52.0), none, "before")

    assert said == "RMT 50.0 [48.0, 52.0] % MSO; not found (no response up to 100 % MSO) before."
