"""A live sweep becomes a trial."""

from dataclasses import replace

import numpy as np
import pytest

import decussa as dc
from decussa.measuring.catalogue import TIMES
from decussa.model.dialogue import Deliver
from decussa.model.recording import Channel
from decussa.protocol.schema import load_protocol
from decussa.session.measuring import measure_sweep


def test_times_count_from_the_pulse_also_where_it_lay_between_two_samples():
    protocol, _ = load_protocol("hand")
    person = dc.VirtualParticipant(seed=4, protocol="hand")
    sweep = person.deliver(dc.Stimulus.single(80))
    channels = [Channel(name=name, kind="emg", rate_hz=sweep.rate_hz) for name in sweep.channels]
    request = Deliver(stimulus=dc.Stimulus.single(80), step="test", muscle=sweep.channels[0])

    def values_of(one):
        trial = measure_sweep(one, request, 1, channels, protocol, artifact_expected=False).trial
        return trial.values[sweep.channels[0]]

    plain, shifted = values_of(sweep), values_of(replace(sweep, shift_ms=sweep.shift_ms + 0.08))

    assert plain["latency_ms"] > 0
    for name, value in plain.items():
        assert shifted[name] == pytest.approx(value - (0.08 if name in TIMES else 0.0), nan_ok=True), name
    assert np.isfinite(plain["artifact_start_ms"])
