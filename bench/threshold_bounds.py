"""Pulses below which no unbiased estimate of a threshold can be near enough, for the people of bench/threshold.py."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.signal import fftconvolve
from scipy.special import ndtr
from scipy.stats import t as student_t

from bench.threshold_people import LAPSES, T3_SCALE, Person, SizePerson


def bound(people: list[Person], within_mso: float, *, sizes: bool) -> int:
    """Return the pulses until 95 % are within for unbiased estimates that meet the Cramer-Rao bound, all pulses at t.

    A yes or no has 2 / pi of the information of a Gaussian log size; the spread is taken as known, no prior is used. In a hard
    world tails and lapses take their share of it, and the variance of the drift's mean over the pulses is added: weighing them
    otherwise gains little.
    """
    sd = np.array([person.spread * person.threshold_mso for person in people])
    hard = people[0].excitability.hard
    information = np.full(len(people), 1.0 if sizes else 2 / math.pi)
    if hard:
        information *= (1 - LAPSES) * np.array([left_by_tails(person, sizes=sizes) for person in people])
    for n in range(1, 1000):
        error = sd * np.sqrt(1 / (information * n) + (drift_of_mean(people[0], n) if hard else 0.0))
        if np.mean(2 * ndtr(within_mso / error) - 1) >= 0.95:
            return n
    return 1000


def left_by_tails(person: Person, *, sizes: bool) -> float:
    """Return the Fisher information about the threshold that t tails leave a pulse at threshold, over that of Gaussian ones.

    Below 50 uV the curve is straight in the log: a size varies by the variability before the curve, times its slope, and by that
    after it. A yes or no has the squared density at threshold.
    """
    before = person.bend * person.before if isinstance(person, SizePerson) else 1.0
    after = person.after if isinstance(person, SizePerson) else 0.0
    angles, information, density = _sums_of_tails()
    return float(np.interp(math.atan2(after, before), angles, information if sizes else density**2))


@lru_cache
def _sums_of_tails() -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return angles, and of sums of two t3 shocks, cosine and sine of the angle strong: information and density at the centre,
    both over those of the Gaussian that the sum of Gaussian shocks would be."""
    x, dx = np.linspace(-40, 40, 2**15 + 1, retstep=True)
    angles = np.linspace(0, math.pi / 2, 17)
    information, density = np.empty(angles.size), np.empty(angles.size)
    for i, angle in enumerate(angles):
        one, other = (
            student_t.pdf(x, 3, scale=max(T3_SCALE * part, dx)) for part in (math.cos(angle), math.sin(angle))
        )
        summed = np.maximum(fftconvolve(one, other, mode="same") * dx, 1e-12)
        information[i] = np.sum(np.gradient(summed, dx) ** 2 / summed) * dx
        density[i] = summed[x.size // 2] * math.sqrt(2 * math.pi)
    return angles, information, density


def drift_of_mean(person: Person, n: int) -> float:
    """Return the variance of the drift's mean over ``n`` pulses, in squared spreads, as in the hard worlds."""
    moods = person.excitability
    gap = np.abs(np.subtract.outer(np.arange(n), np.arange(n)))
    return float(moods.drift_sd**2 * np.mean(moods.kept**gap))
