"""Holding a contraction: from the level that is seen now to the moment at which a pulse may be asked for. Pure.

The band is that by which trials are judged (``quality.verdict.Limits``). A level that leaves it for a moment only, as voluntary
contraction does, does not begin the hold anew.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

from decussa.quality.verdict import Limits

HoldState = Literal["unknown", "below", "above", "holding", "steady"]
#: How long a contraction is held before a pulse is asked for, and how long it may leave its band meanwhile (common practice, no
#: source); over how long a level is worked out: as long as the best stretch of a maximal effort.
HOLD_S, LAPSE_S, LEVEL_S = 1.0, 0.25, 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """From which to which level, in % of the maximal contraction."""

    low_pct: float
    high_pct: float

    @classmethod
    def around(cls, asked_pct: float) -> Band:
        """Return the band around what is asked for; its low end is above rest."""
        off = Limits().contraction_band_pct
        return cls(low_pct=max(asked_pct - off, asked_pct / 4), high_pct=asked_pct + off)


@dataclass(frozen=True, slots=True, kw_only=True)
class Holding:
    """Where a contraction stands.

    ``level_pct`` is NaN where it is not known. ``held_s`` is how long the band was kept, ``since_s`` from when; ``left_s`` is
    since when it is out of it. Both are NaN where they are not.
    """

    band: Band
    state: HoldState = "unknown"
    level_pct: float = math.nan
    held_s: float = 0.0
    since_s: float = math.nan
    left_s: float = math.nan


def follow(holding: Holding, level_pct: float, at_s: float) -> Holding:
    """Return where a contraction stands once its level at ``at_s`` (a clock that only goes forward) is known."""
    now = replace(holding, level_pct=level_pct)
    if math.isnan(level_pct):
        return Holding(band=holding.band)
    if holding.band.low_pct <= level_pct <= holding.band.high_pct:
        since = at_s if math.isnan(holding.since_s) else holding.since_s
        held = at_s - since
        state: HoldState = "steady" if held >= HOLD_S else "holding"
        return replace(now, state=state, since_s=since, held_s=held, left_s=math.nan)
    outside: HoldState = "below" if level_pct < holding.band.low_pct else "above"
    left = at_s if math.isnan(holding.left_s) else holding.left_s
    if math.isnan(holding.since_s) or at_s - left > LAPSE_S:
        return replace(now, state=outside, since_s=math.nan, left_s=left, held_s=0.0)
    return replace(now, state="holding", left_s=left, held_s=at_s - holding.since_s)
