"""Every source keeps the same contract; one body of tests for all."""

import math

import numpy as np
import pytest

from decussa.compose.replaying import replay_journal
from decussa.model.dialogue import Ask, Deliver
from decussa.model.recording import Recording, StimulusEvent, SweepBatch
from decussa.model.stimulus import Stimulus
from decussa.source.hand import HandSource
from decussa.source.replay import replay_recording
from decussa.source.stream.source import StreamSource
from decussa.source.virtual.person import VirtualParticipant
from decussa.source.virtual.source import VirtualSource
from tests.session.stage import SEED, go, journal_of, make_study
from tests.source.saving import Punctual
from tests.source.stream.bench import amplifier, settings_for

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
    return HandSource(["FDI right"], lambda request, label: 80.0)  # noqa: ARG005


@pytest.fixture(scope="module")
def played(tmp_path_factory):
    """A journal of a short session on a virtual participant."""
    folder = make_study(tmp_path_factory.mktemp("played") / "study")
    go(folder)
    with journal_of(folder) as opened:
        yield opened


@pytest.fixture(scope="module")
def sender():
    """An invented amplifier that sends, eight times faster than life."""
    pytest.importorskip("pylsl")
    with amplifier(speed=8, who=VirtualParticipant(1, "hand")) as sender:
        yield sender


@pytest.fixture(params=["virtual", "replay", "journal", "hand", "folder", "stream"])
def make(request):
    """A function that makes a source of one kind, as new."""
    if request.param == "folder":
        folders = request.getfixturevalue("tmp_path_factory")
        return lambda: Punctual(folders.mktemp("saved"))
    if request.param == "stream":
        wired = settings_for(request.getfixturevalue("sender"))
        return lambda: StreamSource(wired, ["FDI right"])
    if request.param == "journal":
        stored = request.getfixturevalue("played")
        return lambda: replay_journal(stored, VirtualParticipant(SEED, "hand").channels)
    return {"virtual": virtual, "replay": replay, "hand": hand}[request.param]


def test_what_comes_back_bears_the_number_that_was_asked_for(make):
    with make() as source:
        source.skip_to(0)
        numbers = [source.deliver(REQUEST, number).number for number in (1, 2, 3)]

    assert numbers == [1, 2, 3]


def test_what_comes_back_holds_a_sweep_or_sizes_for_every_channel(make):
    with make() as source:
        came = source.deliver(REQUEST, 1)
        names = {channel.name for channel in source.channels}

    held = set(came.sweep.channels) if came.sweep is not None else set(came.sizes_uv)
    assert held == names


def test_a_source_that_goes_on_later_gives_what_it_would_have_given(make):
    with make() as first:
        for number in (1, 2, 3, 4):
            whole = first.deliver(REQUEST, number)
    with make() as second:
        second.skip_to(3)
        later = second.deliver(REQUEST, 4)

    assert later.sizes_uv == whole.sizes_uv
    assert later.sweep == whole.sweep


@pytest.mark.parametrize("make", ["virtual", "replay", "journal", "folder", "stream"], indirect=True)
def test_a_sweep_holds_a_hundred_milliseconds_before_the_first_pulse(make):
    with make() as source:
        sweep = source.deliver(REQUEST, 1).sweep

    assert sweep.onset_sample / sweep.rate_hz >= 0.1


def test_a_question_is_answered_or_left_to_the_operator(make):
    with make() as source:
        answer = source.answer(Ask(key="follow-up", text="?", kind="confirm", step="s"))

    assert answer is None or isinstance(answer, str | float)


def test_only_what_a_person_gives_by_hand_reaches_a_person(make):
    source = make()

    assert source.can_reach_a_person == (source.name in ("hand", "folder", "stream"))


def test_channels_are_described_with_muscle_and_side(make):
    with make() as source:
        assert [(channel.kind, channel.muscle.key, channel.side) for channel in source.channels] == [
            ("emg", "FDI", "right")
        ]


def test_a_source_asked_for_the_same_number_again_gives_the_same(make):
    with make() as source:
        first, again = (source.deliver(REQUEST, 2) for _ in range(2))

    assert first.sweep == again.sweep
    assert first.sizes_uv == again.sizes_uv


def test_an_error_within_a_source_is_not_swallowed(make):
    with pytest.raises(ZeroDivisionError), make():
        raise ZeroDivisionError


def test_past_the_end_of_a_recording_nothing_comes_back():
    with replay() as source:
        assert source.deliver(REQUEST, 7).sweep.samples_uv[0, 0] == 7
        assert source.deliver(REQUEST, 8) is None


def test_a_journal_plays_what_it_holds_and_nothing_past_its_end(played):
    stored = [entry for entry in played.entries() if entry.has_sweep]
    source = replay_journal(played, VirtualParticipant(SEED, "hand").channels)

    assert source.deliver(REQUEST, 3).sweep == played.sweep(stored[2].number)
    assert source.deliver(REQUEST, len(stored) + 1) is None


def test_a_stimulus_that_was_lost_is_lost_again_and_the_others_keep_their_numbers(tmp_path):
    folder = make_study(tmp_path / "study")
    go(folder, source=VirtualSource(VirtualParticipant(SEED, "hand"), errors={2: "trigger missed"}))
    with journal_of(folder) as journal:
        source = replay_journal(journal, VirtualParticipant(SEED, "hand").channels)
        stored = [entry for entry in journal.entries() if entry.has_sweep]

        assert source.deliver(REQUEST, 2) is None
        assert source.deliver(REQUEST, 3).sweep == journal.sweep(stored[1].number)


def test_nothing_typed_is_nothing_that_came_back():
    source = HandSource(["FDI right"], lambda request, label: None)  # noqa: ARG005

    assert source.deliver(REQUEST, 1) is None
