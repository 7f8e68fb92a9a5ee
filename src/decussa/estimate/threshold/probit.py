"""The response model of threshold hunting: a cumulative Gaussian whose SD is a fixed share of the threshold."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import log_ndtr, ndtr

Floats = NDArray[np.float64]

#: SD of the cumulative Gaussian over the threshold (Awiszus 2003, doi 10.1016/S1567-424X(09)70205-3; from memory).
SPREAD = 0.07
#: Thresholds considered, % MSO.
GRID_MSO: Floats = np.arange(1.0, 101.0)


def response_probability(intensity_mso: ArrayLike, threshold_mso: ArrayLike, spread: float = SPREAD) -> Floats:
    """Return P(response) at an intensity (% MSO) for a threshold (% MSO) and its relative spread."""
    s, t = np.asarray(intensity_mso, dtype=np.float64), np.asarray(threshold_mso, dtype=np.float64)
    return np.asarray(ndtr((s - t) / (spread * t)), dtype=np.float64)


def log_likelihood(threshold_mso: ArrayLike, intensity_mso: float, *, response: bool, spread: float = SPREAD) -> Floats:
    """Return ln P of one yes or no, at every threshold (% MSO) asked for; it does not underflow."""
    t = np.asarray(threshold_mso, dtype=np.float64)
    z = (intensity_mso - t) / (spread * t)
    return np.asarray(log_ndtr(z if response else -z), dtype=np.float64)
