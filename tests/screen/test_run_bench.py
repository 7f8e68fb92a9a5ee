"""What Run knows of a live signal: a pulse waits for a steady contraction, and nothing waits for a signal that is not there."""

from types import SimpleNamespace

import pytest

from decussa.model.dialogue import Deliver
from decussa.model.estimate import Estimate
from decussa.model.stimulus import Stimulus
from decussa.screen import run_bench
from decussa.screen.operator import Turn
from decussa.screen.run_bench import WORDS_S, RunBench
from decussa.screen.run_live import band_of, stream_words
from decussa.source.live import FeedHealth
from decussa.source.virtual.bench_feed import VirtualFeed
from decussa.source.virtual.person import VirtualParticipant

MUSCLE = "FDI right"
REQUEST = Deliver(stimulus=Stimulus.single(50), step="s", muscle=MUSCLE, contraction_pct=20.0)


class Clock:
    def __init__(self):
        self.now = 50.0

    def monotonic(self):
        return self.now


@pytest.fixture
def live(monkeypatch):
    """A session whose page shows a stimulus with a contraction; its clock, its feed."""
    clock = Clock()
    monkeypatch.setattr(run_bench, "time", clock)
    person = VirtualParticipant(2, "hand")
    feed = VirtualFeed(person, clock.monotonic)
    most = person.truth.muscles[MUSCLE].mvc_uv
    made = SimpleNamespace(
        session="P-014-1",
        rehearsal=False,
        turn=Turn(number=1, kind="request", request=REQUEST),
        view=SimpleNamespace(results={f"{MUSCLE}/mvc": Estimate(value=most, n=3)}),
        clock=clock,
        feed=feed,
    )
    made.bench = RunBench(made)
    made.bench.show(feed)
    return made


def wait(live, seconds):
    for _ in range(round(seconds / 0.1)):
        live.clock.now += 0.1
        live.bench.look()


def test_a_pulse_is_asked_for_once_the_contraction_is_steady(live):
    wait(live, 3)
    assert not live.bench.may_ask(REQUEST)
    assert "More." in band_of(live)
    live.feed.contract(25.0)  # a virtual hand's EMG rises later than its force: about 20 % of the greatest EMG
    wait(live, 5)
    assert live.bench.may_ask(REQUEST)
    assert "Steady." in band_of(live)
    live.feed.contract(60.0)
    wait(live, 3)
    assert not live.bench.may_ask(REQUEST)
    assert "Less." in band_of(live)


def test_a_steady_contraction_counts_for_the_one_that_was_asked_for(live):
    live.feed.contract(25.0)
    wait(live, 5)
    other = Deliver(stimulus=Stimulus.single(50), step="s", muscle=MUSCLE, contraction_pct=40.0)

    assert not live.bench.may_ask(other)


def test_rest_waits_for_nothing(live):
    rest = Deliver(stimulus=Stimulus.single(50), step="s", muscle=MUSCLE)

    assert live.bench.may_ask(rest)


def test_without_a_maximal_contraction_the_level_is_shown_and_nothing_waits_for_it(live):
    live.view.results = {}
    wait(live, 2)

    assert live.bench.may_ask(REQUEST)
    assert "No maximal contraction is known" in band_of(live)


def test_without_a_signal_nothing_waits_for_it(live):
    live.bench.show(None)
    wait(live, 1)

    assert live.bench.may_ask(REQUEST)
    assert band_of(live) == ""


def test_a_stream_that_stands_still_is_said_and_asks_for_nothing_by_itself(live):
    class Still(VirtualFeed):
        def recent_uv(self, seconds):
            return super().recent_uv(seconds) * float("nan")

        def health(self):
            return FeedHealth(words=("EMG: stands still since 3 s.",))

    live.bench.show(Still(live.feed.person, live.clock.monotonic))
    wait(live, 2)

    assert not live.bench.may_ask(REQUEST)
    assert "stands still" in stream_words(live)


def test_words_about_a_stream_stay_for_a_while(live):
    live.bench.hear("The sender began anew.")
    assert "began anew" in stream_words(live)
    live.clock.now += WORDS_S + 1

    assert stream_words(live) == ""


def test_a_signal_that_cannot_be_looked_at_never_stops_a_session(live, monkeypatch):
    monkeypatch.setattr(run_bench, "LOOK_S", 0.001)
    live.bench.show(SimpleNamespace(health=FeedHealth))
    with live.bench.following():
        for _ in range(1000):
            if live.bench.words():
                break
            live.bench._over.wait(0.01)
    assert "cannot be looked at" in " ".join(live.bench.words())
