"""Whole sessions as plans: they end, keep the limits, feed each step with what earlier ones found, and replay exactly."""

from collections import Counter
from itertools import groupby

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decussa.model.dialogue import Answer, Ask, Deliver, Refused, Show, Trial
from decussa.plan.combine import FIRST_MSO
from decussa.plan.session import session_plan, step_name
from decussa.plan.step import Ended
from decussa.protocol.schema import SHIPPED, load_protocol, protocol_text, read_protocol
from decussa.store.codec import encode
from tests.plan.people import Hostile, Textbook, asked_after, run

PROTOCOLS = {name: load_protocol(name)[0] for name in SHIPPED}


def stimuli(asked, step=None):
    return [request for request in asked if isinstance(request, Deliver) and step in (None, request.step)]


@pytest.mark.parametrize("name", SHIPPED)
def test_every_shipped_session_ends_and_visits_every_step(name):
    protocol = PROTOCOLS[name]
    asked, _, _ = run(session_plan(protocol, seed=1), Textbook(protocol))

    finished = [request.step for request in asked if isinstance(request, Show) and request.final]

    assert finished == [step_name(step) for step in protocol.steps]


@pytest.mark.parametrize("threshold", [35.0, 47.0, 62.0])
def test_the_threshold_that_is_found_is_the_textbooks(threshold):
    protocol = PROTOCOLS["hand"]
    _, _, found = run(session_plan(protocol, seed=1), Textbook(protocol, threshold=threshold))
    rmt = found["FDI right/rmt"]

    assert rmt.low <= threshold <= rmt.high
    assert rmt.value == pytest.approx(threshold, abs=3)


@pytest.mark.parametrize(
    ("method", "start_mso", "tolerance"),
    [("5 of 10", 60, 1), ("two-threshold", 38, 1), ("maximum likelihood", 45, 1), ("adaptive", 50, 3)],
)
def test_every_method_finds_the_textbooks_threshold(method, start_mso, tolerance):
    text = protocol_text("hand").replace(
        'method = "adaptive"\npulses = 30', f'method = "{method}"\nstart_mso = {start_mso}\npulses = 200'
    )
    protocol = read_protocol(text)
    _, _, found = run(session_plan(protocol, seed=1), Textbook(protocol, threshold=46.5))

    assert found["FDI right/rmt"].value == pytest.approx(46.5, abs=tolerance)


def test_intensities_follow_from_what_was_found():
    protocol = PROTOCOLS["forearm"]
    asked, _, found = run(session_plan(protocol, seed=1), Textbook(protocol))
    levels = {
        request.stimulus.intensity_mso
        for request in stimuli(asked, "response at 130 %")
        if request.condition != "climb"
    }

    assert levels == {round(found["FCR left/rmt"].value * 1.3)}


def test_a_paired_block_is_balanced_and_starts_with_a_test_pulse_alone():
    protocol = PROTOCOLS["forearm"]
    asked, _, _ = run(session_plan(protocol, seed=3), Textbook(protocol))
    names = [request.condition for request in stimuli(asked, "paired") if request.condition != "climb"]

    assert names[0] == "test alone"
    assert set(Counter(names).values()) == {16}
    assert max(len(list(run_)) for _, run_ in groupby(names)) <= 3


def test_a_condition_with_another_test_intensity_has_test_pulses_of_its_own():
    protocol = PROTOCOLS["forearm"]
    asked, _, _ = run(session_plan(protocol, seed=3), Textbook(protocol))
    by_name = {request.condition: request.stimulus for request in stimuli(asked, "paired")}

    assert by_name["LICI"].intensity_mso == by_name["test alone, 120 % RMT"].intensity_mso
    assert by_name["SICI"].intensity_mso == by_name["test alone"].intensity_mso


def test_no_response_up_to_the_ceiling_is_a_result():
    protocol = PROTOCOLS["patient"]
    _, _, found = run(session_plan(protocol, seed=1), Textbook(protocol, threshold=160.0))
    rmt = found["FDI left/rmt"]

    assert rmt.value != rmt.value
    assert rmt.low == 100
    assert "no response up to 100 % MSO" in rmt.reason


@pytest.mark.parametrize(("threshold", "base"), [(70, 50), (45, 40), (33, 30), (24, 20), (12, 20)])
def test_the_trunks_base_follows_the_coarse_steps(threshold, base):
    """Common practice, no source: no response at 50, base 50; response, 40; that responds too, 30, then 20."""
    protocol = PROTOCOLS["lumbar"]
    _, _, found = run(session_plan(protocol, seed=1), Textbook(protocol, threshold=threshold))

    assert found["LES left/base"].value == base
    assert "approximate" in found["LES left/base"].method
    said = float(found["LES left/base"].method.rsplit(" ", 1)[1])
    assert said < 0.5 if base > threshold else said > 0.5


def test_a_silent_trunk_is_tried_higher_then_with_extension_then_reported():
    protocol = PROTOCOLS["lumbar"]
    asked, _, found = run(session_plan(protocol, seed=1), Textbook(protocol, threshold=300.0))
    tried = list(
        dict.fromkeys(
            (r.stimulus.intensity_mso, r.contraction_pct)
            for r in stimuli(asked, "trunk levels")
            if r.condition != "climb"
        )
    )

    assert tried == [(50, 0), (90, 0), (100, 0), (100, 10)]
    assert "no response obtained up to 100 % MSO" in found["LES left/trunk_test"].reason


def check_rises(asked, replies, limits):
    """The plan's own promise: never more than a step above what was felt and not objected to today."""
    tolerated = FIRST_MSO - limits.climb_step_mso
    last = None
    for request, reply in zip(asked, replies, strict=True):
        if isinstance(request, Deliver) and request.stimulus.stim_type != "nerve":
            level = request.stimulus.intensity_mso
            assert level <= min(tolerated + limits.climb_step_mso, limits.ceiling_mso)
            if isinstance(reply, Trial) or getattr(reply, "given", "") == "given and lost":
                tolerated, last = max(tolerated, level), level
        elif isinstance(request, Ask) and request.key == "discomfort" and isinstance(reply, Answer):
            last = last if last is not None else 0


@settings(max_examples=40, deadline=None)
@given(st.sampled_from(SHIPPED), st.integers(0, 2**20))
def test_whatever_is_replied_the_plan_ends_and_keeps_ceiling_and_rise(name, seed):
    protocol = PROTOCOLS[name]
    asked, replies, _ = run(session_plan(protocol, seed=seed), Hostile([m.label for m in protocol.muscles], seed))

    check_rises(asked, replies, protocol.limits)
    assert all(protocol.limits.interval_s[0] <= r.wait_s <= protocol.limits.interval_s[1] for r in stimuli(asked))


@settings(max_examples=15, deadline=None)
@given(st.sampled_from(SHIPPED), st.integers(0, 2**20), st.floats(0, 1))
def test_a_fresh_plan_fed_the_stored_replies_asks_exactly_the_same_next(name, seed, share):
    protocol = PROTOCOLS[name]
    asked, replies, _ = run(session_plan(protocol, seed=seed), Hostile([m.label for m in protocol.muscles], seed))
    fed = int(share * (len(asked) - 1))
    request = asked_after(session_plan(protocol, seed=seed), replies[:fed])

    assert not isinstance(request, Ended)
    assert encode(request) == encode(asked[fed])


def test_too_much_discomfort_closes_the_way_up_and_the_session_still_ends():
    protocol = PROTOCOLS["hand"]
    asked, _, found = run(session_plan(protocol, seed=1), Textbook(protocol, threshold=70.0, rating=8.0))

    assert (
        max(request.stimulus.intensity_mso for request in stimuli(asked) if request.stimulus.stim_type != "nerve") <= 40
    )
    assert "tolerated" in found["FDI right/rmt"].reason


def test_steps_can_be_left_out_and_earlier_findings_used():
    protocol = PROTOCOLS["hand"]
    _, _, found = run(session_plan(protocol, seed=1), Textbook(protocol))
    done = [step_name(step) for step in protocol.steps if step.kind != "recruitment curve"]
    asked, _, _ = run(session_plan(protocol, seed=1, earlier=found, leave_out=done), Textbook(protocol))

    assert {request.step for request in asked} == {"recruitment curve"}
    assert any(
        request.stimulus.intensity_mso == round(1.2 * found["FDI right/rmt"].value) for request in stimuli(asked)
    )


def test_a_refused_stimulus_ends_a_block_early():
    protocol = PROTOCOLS["lumbar"]

    class Tired(Textbook):
        def reply(self, request):
            if isinstance(request, Deliver) and request.step == "paired":
                return Refused(limit="pulse total", reason="enough")
            return super().reply(request)

    asked, _, _ = run(session_plan(protocol, seed=1), Tired(protocol))

    assert len(stimuli(asked, "paired")) == 1
