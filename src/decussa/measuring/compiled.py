"""The one way a function of this floor is compiled: on first call, kept on disk, types kept for the checker."""

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
