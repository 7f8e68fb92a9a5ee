"""How functions of this floor are compiled: on first call, kept on disk, types kept for the checker.

``compiled`` keeps every operation in its written order. ``regrouped`` lets sums be added up in groups, as vector units do: the
grouping follows from the number of terms alone, so that the same samples still give the same number, bit for bit. Neither assumes
that numbers are finite.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import ParamSpec, TypeVar

from numba import njit

P = ParamSpec("P")
R = TypeVar("R")


def compiled(function: Callable[P, R]) -> Callable[P, R]:
    """Return ``function`` compiled by numba when first called; the machine code is cached beside the source."""
    made: Callable[P, R] = njit(cache=True, nogil=True)(function)
    return made


def regrouped(function: Callable[P, R]) -> Callable[P, R]:
    """Return ``function`` compiled so that its sums may be added up in groups."""
    made: Callable[P, R] = njit(cache=True, nogil=True, fastmath={"reassoc", "contract", "nsz"})(function)
    return made
