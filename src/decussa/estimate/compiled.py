"""Compiling of the estimators' loops, typed: on first use, kept on disk, never at import."""

from __future__ import annotations

from collections.abc import Callable
from typing import ParamSpec, TypeVar

from numba import njit

P = ParamSpec("P")
R = TypeVar("R")


def compiled(function: Callable[P, R]) -> Callable[P, R]:
    """Return ``function`` compiled on its first call; the machine code is cached beside the source file."""
    made: Callable[P, R] = njit(cache=True)(function)
    return made
