"""Whatever goes wrong on the way from the amplifier: no sweep goes to another stimulus, it is said, the session goes on.

Every test runs the real library over loopback. That a sweep is the stimulus's own is seen sample by sample: it equals what
the same virtual person brings for a stimulus of that number without any stream.
"""

import math
import os
import signal
import subprocess
import sys
import threading
import time
import uuid

import numpy as np
import pytest

from decussa.model.errors import UsageError
from decussa.source.stream.settings import EmgStream, StreamSettings, Torque
from decussa.source.stream.source import StreamSource
from tests.source.stream.bench import MUSCLE, PAIR, SINGLE, amplifier, bench, request, settings_for, true_sweep

pytest.importorskip("pylsl")


def same_where_known(came, true):
    """Every sample that came is the one that was sent, in its place."""
    known = np.isfinite(came.samples_uv)
    return (
        came.samples_uv.shape == true.samples_uv.shape
        and came.onset_sample == true.onset_sample
        and np.array_equal(came.samples_uv[known], true.samples_uv[known])
    )


def give(source, *stimuli, first=1):
    """Have stimuli given one after the other; return what came back."""
    return [source.deliver(request(stimulus), number) for number, stimulus in enumerate(stimuli, start=first)]


def rules(came):
    return [(verdict.kind, verdict.rule) for verdict in came.found]


def said(source, words):
    return any(words in one for one in source.told)


def test_without_faults_sweeps_are_those_of_the_person_sample_by_sample():
    with bench(speed=4) as source:
        came = give(source, SINGLE, PAIR, SINGLE)
        held = source.deliver(request(SINGLE, contraction_pct=10.0), 4)
        lags = source.lags.history_ms

    for number, (one, stimulus) in enumerate(zip(came, (SINGLE, PAIR, SINGLE), strict=True), start=1):
        assert one.sweep == true_sweep(stimulus, number)
        assert one.found == ()
    assert held.sweep == true_sweep(SINGLE, 4, contraction_pct=10.0)
    assert source.told == []
    assert lags == [0.0] * 4


def test_a_stall_of_two_seconds_is_said_and_loses_nothing():
    with bench("stall@1") as source:
        came = give(source, SINGLE, PAIR)
        health = source.devices[0].health()

    assert [one.sweep for one in came] == [true_sweep(SINGLE, 1), true_sweep(PAIR, 2)]
    assert said(source, "no sample for")
    assert said(source, "flows again after 2.")
    assert (health.stalls, health.samples_lost) == (1, 0)


def test_a_sender_that_begins_anew_in_a_sweep_spoils_that_sweep_alone():
    with bench("restart@1") as source:
        came = give(source, SINGLE, PAIR)
        restarts = source.devices[0].health().restarts

    spoilt = came[0].sweep
    assert np.isnan(spoilt.samples_uv[0, -500:]).all()
    assert same_where_known(spoilt, true_sweep(SINGLE, 1))
    assert rules(came[0]) == [("doubtful", "samples lost")]
    assert came[1].sweep == true_sweep(PAIR, 2)
    assert restarts == 1
    assert said(source, "the sender is gone")
    assert said(source, "the sender is back after")


SENDER = """
import sys, time
from tests.source.stream.bench import amplifier
with amplifier(name=sys.argv[1], source_id=sys.argv[2]):
    time.sleep(120)
"""


def start_sender(name, source_id):
    return subprocess.Popen([sys.executable, "-c", SENDER, name, source_id])


def wait_for(holds, seconds=60.0):
    until = time.monotonic() + seconds
    while not holds() and time.monotonic() < until:
        time.sleep(0.1)
    assert holds()


def test_a_sender_that_is_killed_and_started_again_is_found_again():
    name, source_id = f"EMG {uuid.uuid4()}", str(uuid.uuid4())
    child = start_sender(name, source_id)
    settings = StreamSettings(emg=(EmgStream(name=name),), patience_s=5.0, find_s=60.0, this_machine_only=True)
    try:
        with StreamSource(settings, [MUSCLE]) as source:
            first = source.deliver(request(SINGLE), 1)
            os.kill(child.pid, signal.SIGKILL)
            child.wait()
            lost = source.deliver(request(PAIR), 2)
            child = start_sender(name, source_id)
            wait_for(lambda: source.devices[0].health().restarts == 1)
            # The new sender has to find the run's control stream first.
            wait_for(lambda: source._control.is_heard(1.0))
            time.sleep(1.0)
            third = source.deliver(request(PAIR), 3)
    finally:
        child.kill()
        child.wait()

    assert first.sweep == true_sweep(SINGLE, 1)
    assert lost.is_nothing
    assert any("stood still" in words for words in lost.said)
    assert third.sweep == true_sweep(PAIR, 3)


def test_lost_samples_are_missing_in_their_places():
    with bench("lost samples", torque=Torque(channel="Counter")) as source:
        came = give(source, SINGLE, PAIR, SINGLE, PAIR, SINGLE, PAIR)
        health, first = source.devices[0].health(), source.devices[0]
        with source.changed:
            counted = first.cutter.ring.read(0, first.cutter.ring.end)[first.torque_row]

    true = [true_sweep(stimulus, number) for number, stimulus in enumerate((SINGLE, PAIR) * 3, start=1)]
    assert all(same_where_known(one.sweep, other) for one, other in zip(came, true, strict=True))
    for one in came:
        missing = int(np.isnan(one.sweep.samples_uv).sum())
        assert rules(one) == ([("doubtful", "samples lost")] if missing else [])
    assert health.samples_lost % 50 == 0
    assert health.samples_lost > 0
    assert said(source, "samples were lost on their way")
    # The sender numbers its samples: each lies in its place from the first second on.
    arrived = np.flatnonzero(np.isfinite(counted))
    assert set(counted[arrived] - arrived) == {counted[0]}


def test_a_drift_of_fifty_millionths_is_measured_and_moves_nothing():
    with bench("drift", speed=2) as source:
        came = give(source, SINGLE, PAIR)
        health = source.devices[0].health()

    assert [one.sweep for one in came] == [true_sweep(SINGLE, 1), true_sweep(PAIR, 2)]
    assert health.rate_hz == pytest.approx(5_000 * (1 - 50e-6), rel=1e-6)
    assert source.told == []


def test_a_clock_that_is_set_by_a_tenth_of_a_second_moves_nothing():
    with bench("clock set@1") as source:
        came = give(source, SINGLE, PAIR)

    assert [one.sweep for one in came] == [true_sweep(SINGLE, 1), true_sweep(PAIR, 2)]
    assert said(source, "the sender's clock was set by +100 ms")


def test_a_clock_that_shakes_moves_nothing():
    with bench("shaking clock", speed=2) as source:
        came = give(source, SINGLE, PAIR)

    assert [one.sweep for one in came] == [true_sweep(SINGLE, 1), true_sweep(PAIR, 2)]


def test_a_rate_that_lies_by_one_percent_is_said_and_times_are_reckoned_with_the_true_one():
    with bench("wrong rate") as source:
        came = give(source, SINGLE, PAIR)

    assert said(source, "announces 5000 Hz, but 4950.0 Hz come")
    assert said(source, "Times are reckoned with 4950 Hz")
    for one, number, stimulus in ((came[0], 1, SINGLE), (came[1], 2, PAIR)):
        true = true_sweep(stimulus, number)
        shift = true.onset_sample - one.sweep.onset_sample
        assert one.sweep.rate_hz == 4_950
        inside = one.sweep.samples_uv.shape[1]
        assert np.array_equal(one.sweep.samples_uv, true.samples_uv[:, shift : shift + inside])


def test_a_pulse_without_its_trigger_is_no_sweep_and_its_artifact_is_said():
    with bench("trigger missed@5", markers=None) as source:
        came = give(source, SINGLE, SINGLE, SINGLE, SINGLE, SINGLE, SINGLE)

    assert came[4].is_nothing
    assert any("no trigger came" in words for words in came[4].said)
    assert came[5].sweep == true_sweep(SINGLE, 6)


def test_no_pulse_when_one_was_asked_for_is_nothing():
    with bench("no pulse@1", patience_s=2.0) as source:
        came = give(source, SINGLE, PAIR)

    assert came[0].is_nothing
    assert any("no pulse within 2 s" in words for words in came[0].said)
    assert came[1].sweep == true_sweep(PAIR, 2)


def test_the_operator_may_say_that_no_pulse_will_come():
    with bench("no pulse@1", patience_s=60.0) as source:
        threading.Timer(0.5, source.give_up).start()
        came = give(source, SINGLE, PAIR)

    assert came[0].is_nothing
    assert came[1].sweep == true_sweep(PAIR, 2)


def test_a_double_trigger_is_rejected_and_the_next_stimulus_is_its_own():
    with bench("double pulse@1") as source:
        came = give(source, SINGLE, PAIR)

    assert rules(came[0]) == [("reject", "too many pulses")]
    assert "5.0 ms apart, 1 asked for" in came[0].found[0].reason
    assert came[1].sweep == true_sweep(PAIR, 2)


def test_a_pulse_that_follows_by_itself_is_nobodys():
    with bench("stray pulse@1") as source:
        came = give(source, SINGLE, PAIR)
        unasked = source.unasked()

    assert [one.pulses for one in unasked] == [1]
    assert came[0].sweep.samples_uv.shape == true_sweep(SINGLE, 1).samples_uv.shape
    assert came[1].sweep == true_sweep(PAIR, 2)
    assert any("before stimulus 2 was asked for" in words for words in came[1].said)


def test_a_pulse_during_a_pause_is_noted_and_given_to_no_stimulus():
    with bench() as source:
        first = source.deliver(request(SINGLE), 1)
        source.sender.stray()
        time.sleep(1.5)
        (stray,), none = source.unasked(), source.unasked()
        second = source.deliver(request(PAIR), 2)

    # The amplifier hears of it within 0.1 s and gives the pulse 0.3 s later.
    assert (stray.pulses, none) == (1, ())
    assert stray.ago_s == pytest.approx(1.15, abs=0.2)
    assert first.sweep == true_sweep(SINGLE, 1)
    assert any("given while none was asked for" in words for words in second.said)
    assert second.sweep == true_sweep(PAIR, 2)


def test_a_wrong_interval_is_rejected_with_both_numbers():
    with bench("wrong interval@2") as source:
        came = give(source, PAIR, PAIR, PAIR)

    assert rules(came[1]) == [("reject", "interval")]
    assert came[1].found[0].reason.startswith("interval 5.00 ms, 3 ms asked for")
    assert [came[0].sweep, came[2].sweep] == [true_sweep(PAIR, 1), true_sweep(PAIR, 3)]


def test_a_channel_that_is_unplugged_is_rejected_and_said():
    with bench("flat channel@1") as source:
        came = give(source, SINGLE, SINGLE)
        words = source.devices[0].health().words

    assert rules(came[1]) == [("reject", "channel flat")]
    assert f"{MUSCLE}: flat. Look at lead and amplifier." in words


def test_two_senders_with_the_same_name_are_refused_until_one_is_named():
    with amplifier("twin") as sender:
        with pytest.raises(UsageError, match="2 streams fit where an EMG stream is meant"):
            StreamSource(settings_for(sender, find_s=0.5, emg=(EmgStream(name=sender.name),)), [MUSCLE]).__enter__()
        one = (EmgStream(name=sender.name, source_id=sender.source_id),)
        with StreamSource(settings_for(sender, emg=one), [MUSCLE]) as source:
            assert source.deliver(request(SINGLE), 1).sweep == true_sweep(SINGLE, 1)


def test_emg_in_millivolt_is_measured_in_microvolt():
    with bench("millivolt", speed=4) as source:
        (came,) = give(source, SINGLE)

    assert np.allclose(came.sweep.samples_uv, true_sweep(SINGLE, 1).samples_uv, rtol=1e-6, atol=1e-3)


def test_a_stream_without_a_unit_is_refused_until_somebody_says_it():
    with amplifier("no unit", speed=4) as sender:
        with pytest.raises(UsageError, match="unit of the signal is not known"):
            StreamSource(settings_for(sender, find_s=0.5), [MUSCLE]).__enter__()
        said_by_hand = (EmgStream(name=sender.name, unit="uV"),)
        with StreamSource(settings_for(sender, emg=said_by_hand), [MUSCLE]) as source:
            assert source.deliver(request(SINGLE), 1).sweep == true_sweep(SINGLE, 1)


def test_without_a_trigger_channel_markers_tell_of_the_pulses():
    with bench("no trigger channel", speed=2) as source:
        came = give(source, SINGLE, PAIR)

    assert [one.sweep for one in came] == [true_sweep(SINGLE, 1), true_sweep(PAIR, 2)]
    assert [one.found for one in came] == [(), ()]


def test_without_trigger_and_markers_the_artifact_tells_and_that_is_said():
    with bench("no trigger channel", speed=2, markers=None) as source:
        came = give(source, SINGLE, PAIR)

    assert [one.sweep for one in came] == [true_sweep(SINGLE, 1), true_sweep(PAIR, 2)]
    assert said(source, "pulses are found from their artifact")


def test_clocks_are_compared_and_their_age_is_known():
    with bench(speed=2) as source:
        until = time.monotonic() + 5
        while math.isnan(source.devices[0].health().clock_s) and time.monotonic() < until:
            time.sleep(0.05)
        health = source.devices[0].health()

    assert abs(health.clock_s) < 0.01
    assert 0 <= health.clock_age_s < 10
