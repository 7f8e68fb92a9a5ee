"""Limits: each names itself, and none is passed whatever is asked."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from decussa.model.dialogue import Answer, Ask, Deliver, Lost, Refused, Trial
from decussa.model.stimulus import Stimulus
from decussa.model.trial import ACCEPT
from decussa.protocol.schema import Limits
from decussa.session.limits import GATES, check_limits
from decussa.session.tally import Tally, count

LIMITS = Limits(ceiling_mso=90, pulse_total=10, minutes_total=20)


def ask_for(stimulus):
    return Deliver(stimulus=stimulus, step="s", muscle="FDI right")


def refusal(stimulus, tally=Tally(), gates=GATES, at_s=100.0):  # noqa: B008 frozen record
    return check_limits(ask_for(stimulus), tally, LIMITS, gates_passed=gates, at_s=at_s)


@pytest.mark.parametrize(
    ("stimulus", "tally", "limit"),
    [
        (Stimulus.single(95), Tally(tolerated_mso=90), "ceiling"),
        (Stimulus.paired(95, 60, 3), Tally(tolerated_mso=90), "ceiling"),
        (Stimulus.single(math.nan), Tally(tolerated_mso=90), "ceiling"),
        (Stimulus.single(31), Tally(), "rise"),
        (Stimulus.single(61), Tally(tolerated_mso=50), "rise"),
        (Stimulus.single(30), Tally(pulses=10), "pulse total"),
        (Stimulus.paired(20, 30, 3), Tally(pulses=9), "pulse total"),
        (Stimulus.single(30), Tally(first_s=0.0, last_s=90.0), None),
        (Stimulus.single(30), Tally(first_s=0.0, last_s=96.0), "interval"),
        (Stimulus.nerve(20), Tally(first_s=0.0, last_s=96.0), "interval"),
        (Stimulus.nerve(20), Tally(), None),
        (Stimulus.single(60), Tally(tolerated_mso=50), None),
        (Stimulus.paired(80, 60, 3), Tally(tolerated_mso=50), None),
    ],
)
def test_each_limit_speaks_for_itself(stimulus, tally, limit):
    refused = refusal(stimulus, tally)

    assert (refused.limit if refused else None) == limit


def test_time_over_is_refused():
    assert refusal(Stimulus.single(30), Tally(first_s=0.0, last_s=1000.0), at_s=1201.0).limit == "time total"


@pytest.mark.parametrize("missing", GATES)
def test_every_gate_is_needed(missing):
    refused = refusal(Stimulus.single(30), gates=[gate for gate in GATES if gate != missing])

    assert refused.limit == "gates"
    assert missing in refused.reason


replies = st.one_of(
    st.builds(Trial, number=st.integers(1, 9), values=st.just({}), verdict=st.just(ACCEPT)),
    st.builds(Lost, given=st.sampled_from(["given and lost", "not given"])),
)


@given(st.lists(st.tuples(st.floats(0, 100), st.floats(0, 40), replies), max_size=40))
def test_no_sequence_of_stimuli_that_are_allowed_passes_a_limit(wanted):
    tally, at_s, felt, pulses = Tally(), 0.0, 20.0, 0
    for level, wait_s, reply in wanted:
        at_s += wait_s
        request = ask_for(Stimulus.single(level))
        last = tally.last_s
        if check_limits(request, tally, LIMITS, gates_passed=GATES, at_s=at_s) is None:
            assert level <= min(felt + 10, 90)
            assert last < 0 or at_s - last >= 5 - 1e-6
            tally = count(tally, request, reply, at_s=at_s, discomfort_stop=7)
            if not (isinstance(reply, Lost) and reply.given == "not given"):
                felt, pulses = max(felt, level), pulses + 1
        assert pulses <= 10


def test_a_bad_rating_takes_back_what_the_last_pulse_seemed_to_allow():
    trial = Trial(number=1, values={}, verdict=ACCEPT)
    tally = count(Tally(tolerated_mso=30), ask_for(Stimulus.single(40)), trial, at_s=0, discomfort_stop=7)
    question = Ask(key="discomfort", text="", kind="rating", step="s")

    assert count(tally, question, Answer(value=6.0), at_s=1, discomfort_stop=7).tolerated_mso == 40
    assert count(tally, question, Answer(value=7.0), at_s=1, discomfort_stop=7).tolerated_mso == 39


def test_a_pair_counts_two_pulses_and_a_refusal_none():
    trial = Trial(number=1, values={}, verdict=ACCEPT)
    pair = ask_for(Stimulus.paired(20, 30, 3))

    assert count(Tally(), pair, trial, at_s=0, discomfort_stop=7).pulses == 2
    assert count(Tally(), pair, Refused(limit="x", reason="y"), at_s=0, discomfort_stop=7).pulses == 0
