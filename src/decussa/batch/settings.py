"""How recordings are measured: what may be chosen, and what a protocol chooses."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from decussa.measuring.times import OnsetMethod
from decussa.model.muscle import Window
from decussa.protocol.schema import Protocol
from decussa.quality.verdict import Limits


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasureSettings:
    """How recordings are measured.

    Parameters
    ----------
    windows : mapping of str to (float, float)
        Windows in ms by muscle key or channel name, in place of the muscle's own.
    m_windows : mapping of str to (float, float)
        The same for the M-wave.
    baseline_ms : (float, float)
        Counts back from the first pulse.
    onset : {"model", "threshold", None}
        How the onset is found.
    intervals : bool
        Whether single sweeps get intervals.
    limits : Limits
        What trials are held against.
    """

    windows: Mapping[str, Window] = field(default_factory=dict)
    m_windows: Mapping[str, Window] = field(default_factory=dict)
    baseline_ms: Window = (-100.0, -5.0)
    onset: OnsetMethod = "model"
    intervals: bool = True
    limits: Limits = field(default_factory=Limits)


def settings_of(protocol: Protocol) -> MeasureSettings:
    """Return how a protocol wants its muscles measured."""
    muscles = protocol.muscles
    limit = min(muscle.rest_limit_uv for muscle in muscles)
    return MeasureSettings(
        windows={muscle.muscle: muscle.window_ms for muscle in muscles if muscle.window_ms is not None},
        m_windows={muscle.muscle: muscle.m_window_ms for muscle in muscles if muscle.m_window_ms is not None},
        limits=Limits(rest_doubtful_uv=limit, rest_reject_uv=max(limit, Limits().rest_reject_uv)),
    )
