"""Sweeps over several devices: what the others recorded while the first recorded a sweep, to the nearest sample by the clocks."""

from __future__ import annotations

import math
import threading
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from decussa.model.sweep import SamplesUv, Sweep
from decussa.source.stream.device import DeviceFeed


def with_others(
    sweep: Sweep, at_s: float, others: Sequence[DeviceFeed], changed: threading.Condition, patience_s: float
) -> Sweep:
    """Add the EMG channels of further devices to a sweep.

    Parameters
    ----------
    at_s : float
        When the sample of its onset was taken, by our clock; NaN where that is not known.
    changed : Condition
        Told, under its lock, whenever samples came.
    patience_s : float
        So long are samples waited for that are still on their way; what has not come by then is NaN.
    """
    parts = [_meanwhile(feed, at_s, sweep, changed, patience_s) for feed in others]
    names = [channel.name for feed in others for channel in feed.emg_channels]
    return replace(sweep, samples_uv=np.concatenate([sweep.samples_uv, *parts]), channels=(*sweep.channels, *names))


def _meanwhile(
    feed: DeviceFeed, at_s: float, sweep: Sweep, changed: threading.Condition, patience_s: float
) -> SamplesUv:
    """Return what another device recorded meanwhile; NaN where the clocks do not tell or it did not come in time."""
    count = sweep.samples_uv.shape[1]
    if math.isnan(at_s) or math.isnan(feed.clock_s):
        return np.full((len(feed.emg_rows), count), np.nan, dtype=np.float32)
    with changed:
        start = feed.at(at_s) - sweep.onset_sample
        changed.wait_for(lambda: feed.cutter.ring.end >= start + count, patience_s)
        return feed.cutter.ring.read(start, start + count)[list(feed.emg_rows)]
