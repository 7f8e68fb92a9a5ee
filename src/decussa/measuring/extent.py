"""Extremes over a stretch of samples, compared by vector units. Finite samples are presumed: ``stretch.all_finite`` tells."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numba.extending import intrinsic

from decussa.measuring.compiled import compiled
from decussa.model.sweep import SamplesUv

Choice = Callable[[np.float32, np.float32], np.float32]


def _choose(relation: str) -> Choice:
    """Return a compiled choice between two finite numbers; that neither is NaN lets vector units make several at once."""

    def choose(_typing: Any, one: Any, other: Any) -> Any:
        def build(_context: Any, builder: Any, _signature: Any, numbers: Any) -> Any:
            holds = builder.fcmp_ordered(relation, *numbers, flags=("nnan", "nsz"))
            return builder.select(holds, *numbers, flags=("nnan", "nsz"))

        return one(one, other), build

    made: Choice = intrinsic(choose)
    return made


larger = _choose(">")
smaller = _choose("<")


@compiled
def extremes(stretch: SamplesUv) -> tuple[np.float32, np.float32]:
    """Smallest and largest sample."""
    low = high = stretch[0]
    for k in range(stretch.size):
        low = smaller(stretch[k], low)
        high = larger(stretch[k], high)
    return low, high


@compiled
def span_of(stretch: SamplesUv) -> float:
    """Largest minus smallest sample."""
    low, high = extremes(stretch)
    # numba keeps float() of a float32 in single precision
    return np.float64(high) - np.float64(low)
