"""The operator at a browser: turns, and what is said too late, twice or by somebody else."""

import threading

import pytest

from decussa.model.dialogue import Ask, Deliver, Lost, Rest
from decussa.model.stimulus import Stimulus
from decussa.screen.operator import GO, BrowserOperator, seen_elsewhere
from decussa.session.operator import ALARM, NO_EVENT, Hold, Stop, Write
from decussa.store.records import Remark

PULSE = Deliver(stimulus=Stimulus.single(50), step="single", muscle="FDI right")


@pytest.fixture
def waiting():
    """Return a function that lets the engine's side wait in a thread: gives the operator's answer once it is there."""
    threads = []

    def wait(call, *arguments):
        answers = []
        thread = threading.Thread(target=lambda: answers.append(call(*arguments)), daemon=True)
        thread.start()
        threads.append(thread)

        def answer():
            thread.join(10)
            assert not thread.is_alive()
            return answers[0]

        return answer

    yield wait
    for thread in threads:
        thread.join(10)


def turn_of(operator, kind):
    while operator.turn.kind != kind:
        pass
    return operator.turn.number


def test_a_stimulus_goes_on_when_it_is_said_to_be_given(waiting):
    operator = BrowserOperator(quick=True)
    answer = waiting(operator.commands, PULSE, 5.0)
    assert operator.say(turn_of(operator, "request"), GO)
    assert answer() == ()


def test_what_is_said_for_a_turn_that_is_over_is_dropped(waiting):
    operator = BrowserOperator(quick=True)
    first = waiting(operator.commands, PULSE, 0.0)
    turn = turn_of(operator, "request")
    assert operator.say(turn, GO)
    assert not operator.say(turn, GO)
    assert first() == ()
    second = waiting(operator.commands, PULSE, 0.0)
    assert not operator.say(turn, GO)
    assert operator.say(turn_of(operator, "request"), GO)
    assert second() == ()


def test_a_stimulus_that_is_not_due_cannot_be_said_to_be_given(waiting):
    operator = BrowserOperator(quick=False)
    answer = waiting(operator.commands, PULSE, 3600.0)
    assert not operator.say(turn_of(operator, "request"), GO)
    operator.want(Hold("early"))
    assert answer() == (Hold("early"),)


def test_a_rest_is_over_by_itself_and_a_question_waits_for_its_answer(waiting):
    operator = BrowserOperator(quick=False)
    assert operator.commands(Rest(seconds=0.01, step="mvc"), 0.01) == ()
    question = Ask(key="mvc", text="?", kind="number", step="mvc")
    answer = waiting(operator.commands, question, 0.0)
    assert operator.say(turn_of(operator, "request"), 412.0)
    assert answer() == ()
    assert operator.answer(question) == 412.0


def test_the_stop_key_is_seen_at_once_wherever_the_engine_is_and_settled_by_a_word(waiting):
    operator = BrowserOperator(quick=True)
    answer = waiting(operator.read_size, PULSE, "FDI right")
    turn = turn_of(operator, "size")
    operator.want(Hold(ALARM))
    assert operator.alarmed
    operator.want(Write(Remark(text=NO_EVENT)))
    assert not operator.alarmed
    assert operator.say(turn, 75.0)
    assert answer() == 75.0


def test_commands_come_one_by_one_so_that_a_hold_is_not_passed_by_what_follows_it(waiting):
    operator = BrowserOperator(quick=True)
    operator.want(Hold(ALARM))
    operator.want(Write(Remark(text=NO_EVENT)))
    assert operator.commands(PULSE, 0.0) == (Hold(ALARM),)
    assert operator.wait_to_go_on() == Write(Remark(text=NO_EVENT))
    answer = waiting(operator.wait_to_go_on)
    assert operator.say(turn_of(operator, "held"), GO)
    assert answer() is None


def test_a_lost_size_is_none_and_the_outcome_is_what_the_operator_says(waiting):
    operator = BrowserOperator(quick=True)
    answer = waiting(operator.read_size, PULSE, "FDI right")
    assert operator.say(turn_of(operator, "size"), float("nan"))
    assert answer() is None
    outcome = waiting(operator.say_outcome, PULSE, 7)
    turn = turn_of(operator, "outcome")
    trial = seen_elsewhere(PULSE, 7, 120.0)
    assert operator.say(turn, trial)
    assert outcome() == trial
    assert trial.verdict.kind == "doubtful"
    assert not operator.say(turn, Lost(given="not given"))


def test_gates_are_passed_in_any_order_and_stopping_before_the_last_is_a_no(waiting):
    operator = BrowserOperator(quick=True)
    operator.pass_gate("second")
    assert operator.confirm_gate("second")
    answer = waiting(operator.confirm_gate, "first")
    turn_of(operator, "gate")
    operator.want(Stop("left"))
    assert answer() is False


def test_where_pulses_are_seen_by_themselves_nobody_has_to_press_a_key(waiting):
    steady = []
    operator = BrowserOperator(quick=False, may_ask=lambda request: bool(steady))  # noqa: ARG005
    answer = waiting(operator.commands, PULSE, 0.0)
    turn_of(operator, "request")
    steady.append(True)

    assert answer() == ()


def test_enter_asks_all_the_same_where_a_contraction_is_not_steady(waiting):
    operator = BrowserOperator(quick=False, may_ask=lambda request: False)  # noqa: ARG005
    answer = waiting(operator.commands, PULSE, 0.0)
    turn_of(operator, "request")
    operator.say(operator.turn.number, GO)

    assert answer() == ()


def test_a_hold_ends_the_wait_for_a_pulse_and_a_note_does_not():
    operator, ended = BrowserOperator(quick=False), []
    operator.await_pulse(PULSE, 7, lambda: ended.append(1))
    operator.want(Write(Remark(text="coil warm")))
    assert (operator.turn.kind, operator.turn.stimulus, ended) == ("pulse", 7, [])
    operator.want(Hold(ALARM))
    assert ended
    operator.pulse_over()
    ended.clear()
    operator.give_up()

    assert operator.turn.kind == "working"
    assert not ended


def test_a_hold_from_just_before_ends_the_wait_too():
    operator, ended = BrowserOperator(quick=False), []
    operator.want(Hold())
    operator.await_pulse(PULSE, 7, lambda: ended.append(1))

    assert ended
