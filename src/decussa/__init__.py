"""Decussa: from the first pulse to numbers that hold.

Names load on first use, so that importing the package costs nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

__version__ = "0.1.0"

if TYPE_CHECKING:
    from decussa.measure.latency import onset_latency
    from decussa.measure.silent_period import silent_period
    from decussa.model.estimate import Estimate, SilentPeriod
    from decussa.model.stimulus import Stimulus
    from decussa.model.sweep import Sweep
    from decussa.recording.read import read
    from decussa.source.virtual.person import VirtualParticipant

_HOME = {
    "Estimate": "decussa.model.estimate",
    "SilentPeriod": "decussa.model.estimate",
    "Stimulus": "decussa.model.stimulus",
    "Sweep": "decussa.model.sweep",
    "VirtualParticipant": "decussa.source.virtual.person",
    "onset_latency": "decussa.measure.latency",
    "read": "decussa.recording.read",
    "silent_period": "decussa.measure.silent_period",
}

__all__ = [
    "Estimate",
    "SilentPeriod",
    "Stimulus",
    "Sweep",
    "VirtualParticipant",
    "__version__",
    "onset_latency",
    "read",
    "silent_period",
]


def __getattr__(name: str) -> object:
    if name not in _HOME:
        raise AttributeError(f"module 'decussa' has no attribute {name!r}")
    value = getattr(import_module(_HOME[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted(__all__)
