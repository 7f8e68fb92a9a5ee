"""The sweeps of a stored session as a review sees them: each muscle of each answered stimulus is a trace."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from decussa.compose.stored import given_stimuli, operator_verdicts
from decussa.measuring.sweeps import measure_sweeps
from decussa.model.dialogue import Deliver
from decussa.model.muscle import Window, muscle_and_side
from decussa.model.recording import Channel
from decussa.model.sweep import Sweep
from decussa.model.trial import Verdict
from decussa.protocol.schema import Protocol
from decussa.session.measuring import window_of
from decussa.store.chain import Entry


@dataclass(frozen=True, slots=True, kw_only=True)
class Trace:
    """One answered stimulus on one muscle, as it was measured and judged in the session.

    ``number`` counts the session's stimuli from 1, ``entry`` is where sweep and values are kept.
    """

    number: int
    entry: int
    muscle: str
    request: Deliver
    measured: Mapping[str, float]
    verdict: Verdict
    window_ms: Window
    has_sweep: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """A trace as a rater's layer has it: verdict, values, and the marks by the names under which they are moved."""

    trace: Trace
    verdict: str
    reason: str
    measured: Mapping[str, float]
    marks: Mapping[str, float]
    proposed: Mapping[str, float]
    seen: bool
    changed: tuple[str, ...]


def traces_of(entries: Sequence[Entry], protocol: Protocol) -> tuple[Trace, ...]:
    """Return every stimulus that was answered, on every muscle that was measured, in order."""
    said = operator_verdicts(entries)
    found = []
    for number, given in enumerate(given_stimuli(entries), start=1):
        for label, values in given.trial.values.items():
            kind, side = muscle_and_side(label)
            channel = Channel(name=label, kind="emg", rate_hz=0.0, muscle=kind, side=side)
            nerve = given.request.stimulus.stim_type == "nerve"
            found.append(
                Trace(
                    number=number,
                    entry=given.entry.number,
                    muscle=label,
                    request=given.request,
                    measured=values,
                    verdict=said.get(given.entry.number, given.trial.verdict),
                    window_ms=window_of(channel, protocol, nerve=nerve) or (math.nan, math.nan),
                    has_sweep=given.entry.has_sweep,
                )
            )
    return tuple(found)


def measure_trace(trace: Trace, sweep: Sweep, window_ms: Window) -> dict[str, float]:
    """Return the values of a trace measured in another window, otherwise as in the session."""
    request = trace.request
    measured = measure_sweeps(
        np.array(sweep.samples_uv[sweep.channels.index(trace.muscle)]),
        sweep.rate_hz,
        sweep.onset_sample,
        window_ms=window_ms,
        isi_ms=None if math.isnan(request.stimulus.isi_ms) else request.stimulus.isi_ms,
        silent=request.contraction_pct > 0,
        nerve=request.stimulus.stim_type == "nerve",
    )
    return {name: float(column[0]) for name, column in measured.items()}
