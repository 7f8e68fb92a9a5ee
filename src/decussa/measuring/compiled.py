"""How functions of this floor are compiled: on first call, kept on disk, types kept for the checker.

``compiled`` keeps every operation in its written order. ``fused`` lets a product and a sum be rounded once in place of twice.
``regrouped`` besides lets sums be added up in groups, as vector units do: the grouping follows from the number of terms alone, so
that the same samples still give the same number, bit for bit. None assumes that numbers are finite. A division by 0 gives what
IEEE 754 says and no error, so that loops with divisions fit vector units too.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import ParamSpec, TypeVar

from numba import njit

P = ParamSpec("P")
R = TypeVar("R")


def compiled(function: Callable[P, R]) -> Callable[P, R]:
    """Return ``function`` compiled by numba when first called; the machine code is cached beside the source."""
    made: Callable[P, R] = njit(cache=True, nogil=True, error_model="numpy")(function)
    return made


def fused(function: Callable[P, R]) -> Callable[P, R]:
    """Return ``function`` compiled so that a product and a sum may be one operation."""
    made: Callable[P, R] = njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract"})(function)
    return made


def regrouped(function: Callable[P, R]) -> Callable[P, R]:
    """Return ``function`` compiled so that its sums may be added up in groups."""
    made: Callable[P, R] = njit(cache=True, nogil=True, error_model="numpy", fastmath={"reassoc", "contract", "nsz"})(
        function
    )
    return made
