"""Every source keeps the same contract; one body of tests for all."""

import math

import numpy as np
import pytest

from decussa.model.dialogue import Ask, Deliver
from decussa.model.recording import Recording, StimulusEvent, SweepBatch
from decussa.model.stimulus import Stimulus
from decussa.source.hand import HandSource
from decussa.source.replay import ReplaySource, replay_recording
from decussa.source.virtual.person import VirtualParticipant
from decussa.source.virtual.source import VirtualSource

REQUEST = Deliver(stimulus=Stimulus.single(60), step="s", muscle="FDI right")


class Stored:
    """Sweeps in memory: each sample holds the number of its sweep."""

    def cut(self, channel, events, before_ms, after_ms):  # noqa: ARG002
        before, after = (math.ceil(span * 5) for span in (before_ms, after_ms))
        samples = np.repeat([[event.sweep] for event in events], before + after, axis=1).astype(np.float32)
        return SweepBatch(samples_uv=samples, rate_hz=5000.0, onset_sample=before, shift_ms=np.zeros(len(events)))


def recording():
    channels = VirtualParticipant(1, "hand").channels
    events = tuple(
        StimulusEvent(sweep=number, onset_s=float(number), stimulus=Stimulus.single(50), pulse_from="events")
        for number in range(1, 8)
    )
    return Recording(name="r", path="r", channels=channels, events=events, signals=Stored())


def virtual():
    return VirtualSource(VirtualParticipant(1, "hand"))


def replay():
    return replay_recording(recording())


def hand():
    return HandSource(["FDI right"], lambda request, label: 80.0 + len(label) * 0)  # noqa: ARG005


SOURCES = [virtual, replay, hand]


@pytest.mark.parametrize("make", SOURCES)
def test_what_comes_back_bears_the_number_that_was_asked_for(make):
    with make() as source:
        source.skip_to(0)
        numbers = [source.deliver(REQUEST, number).number for number in (1, 2, 3)]

    assert numbers == [1, 2, 3]


@pytest.mark.parametrize("make", SOURCES)
def test_what_comes_back_holds_a_sweep_or_sizes_for_every_channel(make):
    with make() as source:
        came = source.deliver(REQUEST, 1)
        names = {channel.name for channel in source.channels}

    held = set(came.sweep.channels) if came.sweep is not None else set(came.sizes_uv)
    assert held == names


@pytest.mark.parametrize("make", SOURCES)
def test_a_source_that_goes_on_later_gives_what_it_would_have_given(make):
    with make() as first:
        for number in (1, 2, 3, 4):
            whole = first.deliver(REQUEST, number)
    with make() as second:
        second.skip_to(3)
        later = second.deliver(REQUEST, 4)

    assert later.sizes_uv == whole.sizes_uv
    assert later.sweep == whole.sweep


@pytest.mark.parametrize("make", [virtual, replay])
def test_a_sweep_holds_a_hundred_milliseconds_before_the_first_pulse(make):
    with make() as source:
        sweep = source.deliver(REQUEST, 1).sweep

    assert sweep.onset_sample / sweep.rate_hz >= 0.1


@pytest.mark.parametrize("make", SOURCES)
def test_a_question_is_answered_or_left_to_the_operator(make):
    with make() as source:
        answer = source.answer(Ask(key="follow-up", text="?", kind="confirm", step="s"))

    assert answer is None or isinstance(answer, str | float)


def test_only_the_hand_reaches_a_person():
    assert [make().can_reach_a_person for make in SOURCES] == [False, False, True]


def test_past_the_end_of_a_recording_nothing_comes_back():
    with replay() as source:
        assert source.deliver(REQUEST, 7).sweep.samples_uv[0, 0] == 7
        assert source.deliver(REQUEST, 8) is None


def test_a_journal_can_be_played_again():
    sweep = VirtualParticipant(1, "hand").deliver(Stimulus.single(50))
    source = ReplaySource(VirtualParticipant(1, "hand").channels, {3: sweep}.get)

    assert source.deliver(REQUEST, 3).sweep == sweep
    assert source.deliver(REQUEST, 4) is None


def test_nothing_typed_is_nothing_that_came_back():
    source = HandSource(["FDI right"], lambda request, label: None)  # noqa: ARG005

    assert source.deliver(REQUEST, 1) is None
