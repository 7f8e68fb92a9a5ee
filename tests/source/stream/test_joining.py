"""Two devices with clocks of their own: what both recorded at one moment lies side by side, right to the sample."""

import uuid

import numpy as np
import pytest

from decussa.compose.feeds import StreamFeed
from decussa.source.stream.library import now_s
from decussa.source.stream.settings import EmgStream, Torque
from decussa.source.stream.source import StreamSource
from decussa.source.virtual.recorder import RATE_HZ
from tests.source.stream import ramp
from tests.source.stream.bench import MUSCLE, PAIR, amplifier, request, settings_for, true_sweep

pytest.importorskip("pylsl")


def test_what_two_devices_recorded_lies_side_by_side():
    name, given = f"second {uuid.uuid4()}", []
    with amplifier() as sender, ramp.ramp(name) as (wall_s, begun_s):
        give = sender.signal.give
        sender.signal.give = lambda *what, **how: given.append(what[2]) or give(*what, **how)
        emg = (EmgStream(name=sender.name), EmgStream(name=name))
        torque = Torque(name=name, type="Torque", channel="Torque")
        settings = settings_for(sender, emg=emg, torque=torque, find_s=20.0)
        # The wall's clock is common to both programs: by it the second device's first sample was taken at this moment of ours.
        with StreamSource(settings, [MUSCLE, ramp.MUSCLE]) as source:
            first_s = begun_s + wall_s - ramp.wall_minus_clock(now_s)
            sweep = source.deliver(request(PAIR), 1).sweep
            feed = StreamFeed(source)
            recent, channels = feed.recent_uv(1.0), feed.channels

    pulse_s = sender._begun_s + given[0] / RATE_HZ
    assert sweep.channels == (MUSCLE, ramp.MUSCLE)
    assert np.array_equal(sweep.samples_uv[0], true_sweep(PAIR, 1).samples_uv[0])
    assert (np.diff(sweep.samples_uv[1]) == 1).all()
    # Half a sample of rounding, and half a sample for the comparison of the clocks.
    assert sweep.samples_uv[1, sweep.onset_sample] == pytest.approx((pulse_s - first_s) * ramp.RATE_HZ, abs=1.0)
    assert [channel.kind for channel in channels] == ["emg", "emg", "trigger", "other"]
    assert recent.shape == (4, 5_000)
    assert (np.diff(recent[1]) == 1).all()
    assert set(np.diff(recent[3])) == {0.0, 1.0}
    assert np.diff(recent[3]).sum() == pytest.approx(99, abs=1)
