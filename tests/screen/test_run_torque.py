"""A contraction is followed by its torque where the stream has one, over the real library with an invented amplifier."""

import time
from dataclasses import replace
from types import SimpleNamespace

import pytest

from decussa.compose.feeds import StreamFeed
from decussa.model.dialogue import Ask, Deliver
from decussa.model.estimate import Estimate
from decussa.model.stimulus import Stimulus
from decussa.screen.operator import Turn
from decussa.screen.run_bench import RunBench
from decussa.screen.run_live import band_of
from decussa.session.live_view import LiveView, fold
from decussa.store.chain import Entry
from decussa.store.records import StepMark, TorqueRange
from tests.source.stream.bench import MUSCLE, bench

pytest.importorskip("pylsl")

EFFORT = Ask(key="mvc", text="As hard as you can.", kind="number", step="mvc", muscle=MUSCLE)
HELD = Deliver(stimulus=Stimulus.single(50), step="silent period", muscle=MUSCLE, contraction_pct=20.0)


def entry(body, kind="torque measured"):
    at = "2026-01-05T09:00:00.000Z"
    return Entry(number=1, at=at, kind=kind, body=body, measured=None, has_sweep=False, hash="")


def session():
    """A session as the bench sees it; what it wants written is folded into what is shown."""
    live = SimpleNamespace(session="P-014-1", rehearsal=False, turn=Turn(number=1, kind="working"), view=LiveView())

    def want(command):
        live.view = fold(live.view, entry(command.record))

    live.operator = SimpleNamespace(want=want)
    live.bench = RunBench(live)
    return live


def look_until(live, holds, seconds=12.0):
    until = time.monotonic() + seconds
    while not holds() and time.monotonic() < until:
        time.sleep(0.05)
        live.bench.look()
    assert holds()


def test_torque_of_an_effort_is_kept_and_a_contraction_is_followed_by_it():
    live = session()
    with bench() as source:
        live.bench.show(StreamFeed(source))
        live.turn = Turn(number=2, kind="request", request=EFFORT)
        look_until(live, lambda: live.bench.effort.has_torque and live.bench.effort.high > 99)
        assert "Torque seen" in band_of(live)
        live.turn = Turn(number=3, kind="working")
        look_until(live, lambda: live.view.torque)
        # By its EMG the contraction would never be enough.
        live.view = replace(live.view, results={f"{MUSCLE}/mvc": Estimate(value=1e5, n=1)})
        live.turn = Turn(number=4, kind="request", request=HELD)
        assert not live.bench.may_ask(HELD)
        look_until(live, lambda: live.bench.may_ask(HELD))
        level, words = live.bench.holding.level_pct, band_of(live)
        known = live.view.torque[MUSCLE]
        live.view = replace(live.view, torque={})
        live.bench.look()
        without = band_of(live)

    assert (known.rest, known.most) == (pytest.approx(0.0, abs=0.1), pytest.approx(100.0, abs=1.0))
    assert known.unit == "%MVC"
    assert level == pytest.approx(20.0, abs=0.5)
    assert "by torque" in words
    assert "by EMG: no torque of a maximal effort is known" in without
    assert "More." in without


def test_the_best_effort_of_a_step_is_kept_until_the_step_is_done_again():
    view = LiveView(state="running")
    for most in (20.0, -31.0, 25.0):
        view = fold(view, entry(TorqueRange(muscle=MUSCLE, step="mvc", rest=0.5, most=most)))
    assert view.torque[MUSCLE].most == -31.0

    other = fold(view, entry(StepMark(step="threshold"), kind="step redone"))
    again = fold(view, entry(StepMark(step="mvc"), kind="step redone"))
    assert (other.torque, again.torque) == (view.torque, {})
