"""What a day does to a person and to the recorder."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """What a day does to a person and to the recorder.

    Parameters
    ----------
    name : str
        Tells states of one person apart: chance is drawn anew for each.
    drive : mapping of str to float
        Change of drive by muscle key, in log intensity.
    background : mapping of str to float
        Factor on the contraction that is really held, by muscle key.
    rail_uv : mapping of str to float
        Ends of the converter's range that somebody chose in place of the usual ones, by muscle key.
    heart_per_min : float
        Heart rate.
    """

    name: str = ""
    drive: Mapping[str, float] = field(default_factory=dict)
    background: Mapping[str, float] = field(default_factory=dict)
    rail_uv: Mapping[str, float] = field(default_factory=dict)
    heart_per_min: float = 66.0


RESTED = State()
