"""A number with its doubt."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """A value, its interval, and how it came about.

    ``value``, ``low`` and ``high`` are NaN where there is none; ``reason`` then says why. An open side of an interval is
    infinite, never cut off.
    """

    value: float = math.nan
    low: float = math.nan
    high: float = math.nan
    level: float = 0.95
    n: int = 0
    method: str = ""
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SilentPeriod:
    """Start and end of a silent period in ms from the test pulse, and its duration in ms.

    ``start`` is the end of the response, ``end`` the start of the return of activity. ``duration`` follows the product's
    definition, end minus response onset; other definitions are derived from the event times.
    """

    start: Estimate
    end: Estimate
    duration: Estimate
