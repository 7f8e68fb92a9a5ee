"""The first sweep of each kind takes long: code is made ready, tables are worked out. Done here before anybody waits for it."""

from __future__ import annotations

import threading
from collections.abc import Sequence

import numpy as np

from decussa.measuring.background import BASELINE_MS
from decussa.measuring.size import prepare_tables
from decussa.model.dialogue import Deliver
from decussa.model.recording import Channel
from decussa.model.stimulus import Stimulus
from decussa.model.sweep import Sweep
from decussa.protocol.schema import Protocol
from decussa.session.measuring import measure_sweep, window_of

_BEFORE_MS, _AFTER_MS = 150.0, 450.0
#: Noise at rest, in contraction and in the silent period, the response, in µV, and when muscle is active again, in ms.
_REST_UV, _ACTIVE_UV, _SILENT_UV, _RESPONSE_UV, _SILENT_UNTIL_MS = 4.0, 80.0, 3.0, 800.0, 160.0
#: One stimulus of each kind that is measured in a way of its own, with the contraction in % of maximum.
_KINDS = (
    (Stimulus.single(50.0), 0.0),
    (Stimulus.paired(40.0, 50.0, 3.0), 0.0),
    (Stimulus.single(50.0), 20.0),
    (Stimulus.nerve(20.0), 0.0),
)


def warm_up_aside(channels: Sequence[Channel], protocol: Protocol) -> threading.Thread:
    """Do so in a thread of its own; a sweep that comes meanwhile waits no longer than it would have anyway."""
    thread = threading.Thread(target=warm_up, args=(tuple(channels), protocol), daemon=True, name="warming up")
    thread.start()
    return thread


def warm_up(channels: Sequence[Channel], protocol: Protocol) -> None:
    """Measure an invented sweep of each kind on every channel, which is thrown away, then work out the tables of sizes.

    Channels whose rate is not known yet are left out, and those whose sizes are typed.
    """
    sampled = [channel for channel in channels if channel.rate_hz > 0]
    for stimulus, contraction_pct in _KINDS:
        nerve = stimulus.stim_type == "nerve"
        known = [channel for channel in sampled if window_of(channel, protocol, nerve=nerve)]
        if not known:
            continue
        request = Deliver(stimulus=stimulus, step="", muscle=known[0].name, contraction_pct=contraction_pct)
        sweep = _invent(known, protocol, nerve=nerve, active=contraction_pct > 0)
        measure_sweep(sweep, request, 1, known, protocol, artifact_expected=False)
    for window in dict.fromkeys(window_of(one, protocol, nerve=nerve) for nerve in (False, True) for one in sampled):
        if window is not None:
            prepare_tables(window[1] - window[0], BASELINE_MS[1] - BASELINE_MS[0])


def _invent(channels: Sequence[Channel], protocol: Protocol, *, nerve: bool, active: bool) -> Sweep:
    """Return noise with a response in each channel's window, and a silent period behind it where the muscle is active."""
    rate_hz = channels[0].rate_hz
    onset = round(_BEFORE_MS * rate_hz / 1e3)
    time_ms = (np.arange(onset + round(_AFTER_MS * rate_hz / 1e3)) - onset) * 1e3 / rate_hz
    rng = np.random.default_rng(0)
    rows = []
    for channel in channels:
        window = window_of(channel, protocol, nerve=nerve)
        assert window is not None
        start, end = window[0] + 0.3 * (window[1] - window[0]), window[0] + 0.7 * (window[1] - window[0])
        level = np.full(time_ms.size, _ACTIVE_UV if active else _REST_UV)
        level[(time_ms >= end) & (time_ms < _SILENT_UNTIL_MS) & active] = _SILENT_UV
        phase = np.clip((time_ms - start) / (end - start), 0.0, 1.0)
        rows.append(level * rng.standard_normal(time_ms.size) + _RESPONSE_UV * np.sin(2 * np.pi * phase))
    return Sweep(
        samples_uv=np.array(rows, dtype=np.float32),
        rate_hz=rate_hz,
        onset_sample=onset,
        channels=tuple(channel.name for channel in channels),
    )
