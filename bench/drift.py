"""Can intervals be honest for people whose excitability drifts and for those whose does not? What an ideal observer reaches.

    python bench/drift.py [--people N] [--seed S]

The observer knows all but two things: the threshold, and whether excitability drifts. Every pulse is given at threshold and tells
it with Gaussian error of known SD; drift, where there is one, has the size and pace of the hard worlds of bench/threshold.py, and
the error is as large as their tails leave it. From the pulses follows, by Bayes, how likely drift is; the interval is the central
95 % of what is then believed. The one thing to choose is how many people are thought to drift before the first pulse.

Printed: how many intervals hold the threshold of steady and of drifting people, by number of pulses and by that belief.
"""

from __future__ import annotations

import argparse
import sys
import time

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, logit, ndtr

#: Of the hard worlds: SD in spreads, and correlation from pulse to pulse.
DRIFT_SD, DRIFT_KEPT = 0.2, np.exp(-1 / 30)
#: Mean Fisher information of a size in the hard worlds, over that of a Gaussian size: ``threshold_bounds.left_by_tails``.
INFORMATION = 0.65
THOUGHT_TO_DRIFT = (0.0, 0.25, 0.5, 0.75, 1.0)

Floats = NDArray[np.float64]


def covariance(n_pulses: int, *, drifts: bool) -> Floats:
    """Return the covariance of what the pulses tell, in squares of a single pulse's error."""
    gap = np.abs(np.subtract.outer(np.arange(n_pulses), np.arange(n_pulses)))
    drift = INFORMATION * DRIFT_SD**2 * DRIFT_KEPT**gap
    return np.eye(n_pulses) + (drift if drifts else 0.0)


def reading(told: Floats, of: Floats) -> tuple[Floats, float, Floats]:
    """Return mean, SD and log evidence of the threshold if ``of`` were the covariance of ``told``, shape (n_people, n_pulses)."""
    inverse = np.linalg.inv(of)
    variance = 1 / inverse.sum()
    mean = told @ inverse.sum(axis=0) * variance
    misfit = np.einsum("ij,jk,ik->i", told, inverse, told) - mean**2 / variance
    evidence = -0.5 * misfit - 0.5 * np.linalg.slogdet(of)[1] + 0.5 * np.log(variance)
    return mean, float(np.sqrt(variance)), evidence


def held(told: Floats, share: float) -> float:
    """Return the share of people whose threshold (0) lies in the central 95 % of the mixture of both readings."""
    steady, drifting = (reading(told, covariance(told.shape[1], drifts=drifts)) for drifts in (False, True))
    likely = expit(drifting[2] - steady[2] + logit(share)) if 0 < share < 1 else share
    below = (1 - likely) * ndtr(-steady[0] / steady[1]) + likely * ndtr(-drifting[0] / drifting[1])
    return float(np.mean((below > 0.025) & (below < 0.975)))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--people", type=int, default=40_000)
    parser.add_argument("--seed", type=int, default=int(time.time()))
    options = parser.parse_args()
    rng = np.random.default_rng(options.seed)
    print(f"{options.people} people, seed {options.seed}: % of intervals that hold, steady / drifting people")
    print("  pulses  " + "".join(f"{f'{share:.0%} thought to drift':>24s}" for share in THOUGHT_TO_DRIFT))
    for n in (10, 20, 40):
        worlds = [
            rng.standard_normal((options.people, n)) @ np.linalg.cholesky(covariance(n, drifts=drifts)).T
            for drifts in (False, True)
        ]
        pairs = ([100 * held(told, share) for told in worlds] for share in THOUGHT_TO_DRIFT)
        print(f"  {n:6d}  " + "".join(f"{f'{steady:.1f} / {drifting:.1f}':>24s}" for steady, drifting in pairs))


if __name__ == "__main__":
    sys.exit(main())
