"""Decussa: from the first pulse to numbers that hold.

Names load on first use, so that importing the package costs nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

from decussa.model.version import VERSION

__version__ = VERSION

if TYPE_CHECKING:
    from decussa.batch.many import measure_archive
    from decussa.batch.measure import measure
    from decussa.batch.summary import summarise
    from decussa.compose.pooling import pool_trials
    from decussa.estimate import hotspot, threshold
    from decussa.estimate.ratio import ratio
    from decussa.estimate.recruitment import fit_recruitment
    from decussa.measuring.latency import onset_latency
    from decussa.measuring.silent_period import silent_period
    from decussa.measuring.sweeps import measure_sweeps
    from decussa.model.estimate import Estimate, SilentPeriod
    from decussa.model.stimulus import Stimulus
    from decussa.model.sweep import Sweep
    from decussa.pool.reliability import bland_altman, icc, minimal_detectable_change
    from decussa.recording.read import read
    from decussa.recording.tables import read_table
    from decussa.source.virtual.person import VirtualParticipant

#: Where each public name lives.
_HOME = {
    "Estimate": "decussa.model.estimate",
    "SilentPeriod": "decussa.model.estimate",
    "Stimulus": "decussa.model.stimulus",
    "Sweep": "decussa.model.sweep",
    "VirtualParticipant": "decussa.source.virtual.person",
    "bland_altman": "decussa.pool.reliability",
    "fit_recruitment": "decussa.estimate.recruitment",
    "icc": "decussa.pool.reliability",
    "measure": "decussa.batch.measure",
    "measure_archive": "decussa.batch.many",
    "measure_sweeps": "decussa.measuring.sweeps",
    "minimal_detectable_change": "decussa.pool.reliability",
    "onset_latency": "decussa.measuring.latency",
    "pool_trials": "decussa.compose.pooling",
    "ratio": "decussa.estimate.ratio",
    "read": "decussa.recording.read",
    "read_table": "decussa.recording.tables",
    "silent_period": "decussa.measuring.silent_period",
    "summarise": "decussa.batch.summary",
}
#: Public names that are whole modules.
_MODULES = {
    "hotspot": "decussa.estimate.hotspot",
    "threshold": "decussa.estimate.threshold",
}

__all__ = [
    "Estimate",
    "SilentPeriod",
    "Stimulus",
    "Sweep",
    "VirtualParticipant",
    "__version__",
    "bland_altman",
    "fit_recruitment",
    "hotspot",
    "icc",
    "measure",
    "measure_archive",
    "measure_sweeps",
    "minimal_detectable_change",
    "onset_latency",
    "pool_trials",
    "ratio",
    "read",
    "read_table",
    "silent_period",
    "summarise",
    "threshold",
]


def __getattr__(name: str) -> object:
    if name in _MODULES:
        return import_module(_MODULES[name])
    if name not in _HOME:
        raise AttributeError(f"module 'decussa' has no attribute {name!r}")
    value = getattr(import_module(_HOME[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted(__all__)
