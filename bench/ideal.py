"""How soon could a hunt stop at best? What an ideal observer of the people of bench/threshold.py reaches.

    python -m bench.ideal [--people N] [--seed S]

The observer knows how these people are made: the prior of thresholds and spreads is theirs; curve, variability, noise, tails,
lapses and drift are those of the world. Its posterior over threshold, spread, curve and excitability is worked out on a grid
from the people's own model. It is told which of the two worlds a person is from, or only that it is one of both with equal
odds, which is more than anybody is told of real people. Each pulse is given at the posterior mean, or where the outcome is
expected to tell most about the threshold.

Printed: pulses until the 95 % interval is within 3 % MSO (median), and how many intervals hold the threshold there and after 10
and 20 pulses.
"""

from __future__ import annotations

import argparse
import math
import sys
import time

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy import stats

from bench.threshold_people import LAPSES, T3_SCALE, Excitability, Outcome, Person, SizePerson, make_people
from decussa.estimate.threshold import posterior
from decussa.estimate.threshold.adaptive import SIZE_EDGES

Floats = NDArray[np.float64]

#: The longest hunt, and the half-width at which one stops, % MSO.
N_PULSES, HALF_WIDTH_MSO = 24, 3.0
T_MSO = np.arange(30.0, 80.01, 0.25)
SPREADS = 0.03 + 0.09 * (np.arange(8) + 0.5) / 8
#: Distances from threshold, in spreads, at which the probability of an outcome is worked out: from, to, step.
Z_MOST, Z_STEP = 6.0, 0.1
Z = np.arange(-Z_MOST, Z_MOST + Z_STEP / 2, Z_STEP)
#: Curves drawn as those of people are; places of the shock before the curve; values drift can have.
N_CURVES, N_SHOCKS, N_DRIFTS = 16, 24, 7
#: Peak-to-peak of noise alone, in its SD (bench/threshold_people.py): mean and SD.
NOISE, NOISE_SD = 4.64, 0.68


@njit
def _shock(x: float, tails: bool) -> tuple[float, float]:
    """Return density of a shock and probability below ``x``; with ``tails`` Student's, 3 degrees of freedom."""
    if tails:
        y = x / (T3_SCALE * math.sqrt(3.0))
        fall = 1.0 + y * y
        return 2.0 / (math.pi * math.sqrt(3.0) * T3_SCALE * fall * fall), 0.5 + (math.atan(y) + y / fall) / math.pi
    return math.exp(-0.5 * x * x) / math.sqrt(2.0 * math.pi), 0.5 * math.erfc(-x * math.sqrt(0.5))


@njit
def _outcome(raw_uv: float, noise_sd_uv: float, curves: Floats, shocks: Floats, z: Floats, tails: bool) -> Floats:
    """Return the density of a raw size for every curve and distance from threshold, shape (n_curves, n_z).

    ``curves`` has rows of ln plateau, bend, SD before and after, place of the threshold, step of one spread.
    """
    off = (raw_uv / noise_sd_uv - NOISE) / NOISE_SD
    noise_here = math.exp(-0.5 * off * off) / (math.sqrt(2.0 * math.pi) * NOISE_SD * noise_sd_uv)
    noise_below = 0.5 * math.erfc(-off * math.sqrt(0.5))
    found = np.zeros((curves.shape[0], z.size))
    for c in range(curves.shape[0]):
        log_top, bend, before, after, v_threshold, per_spread = curves[c]
        for i in range(z.size):
            here = 0.0
            below = 0.0
            for shock in shocks:
                v = v_threshold + per_spread * z[i] + before * shock
                log_size = log_top - bend * (math.log1p(math.exp(-abs(v))) + max(-v, 0.0))
                for side in range(-1, 2):
                    size = raw_uv - side * math.sqrt(6.0) * noise_sd_uv
                    if size > 0.0:
                        density, under = _shock((math.log(size) - log_size) / after, tails)
                        share = 2.0 / 3.0 if side == 0 else 1.0 / 6.0
                        here += share * density / (after * size)
                        below += share * under
            found[c, i] = (noise_below * here + noise_here * below) / shocks.size
    return found


@njit
def _take_in(weight: Floats, told: Floats, s_mso: float, t_mso: Floats, spreads: Floats, drifts: Floats) -> None:
    """Multiply ``weight``, shape (n_curves, n_spreads, n_t, n_drifts), by what one pulse told of each distance; in place."""
    last = told.shape[1] - 1
    for c in range(weight.shape[0]):
        for r in range(spreads.size):
            for i in range(t_mso.size):
                z = (s_mso - t_mso[i]) / (spreads[r] * t_mso[i])
                for u in range(drifts.size):
                    place = min(max((z + drifts[u] + Z_MOST) / Z_STEP, 0.0), last - 1e-9)
                    k = int(place)
                    weight[c, r, i, u] *= told[c, k] + (place - k) * (told[c, k + 1] - told[c, k])


def _chain(kept: float, sd: float, n: int) -> tuple[Floats, Floats, Floats]:
    """Return values, shares and transitions of a chain of ``n`` values with the moments of a first-order autoregression.

    After Rouwenhorst 1995, as given by Kopecky and Suen 2010, Rev Econ Dyn 13:701 (from memory).
    """
    stay = (1 + kept) / 2
    moves = np.array([[stay, 1 - stay], [1 - stay, stay]])
    for size in range(3, n + 1):
        grown = np.zeros((size, size))
        grown[:-1, :-1] += stay * moves
        grown[:-1, 1:] += (1 - stay) * moves
        grown[1:, :-1] += (1 - stay) * moves
        grown[1:, 1:] += stay * moves
        grown[1:-1] /= 2
        moves = grown
    return sd * math.sqrt(n - 1) * np.linspace(-1, 1, n), stats.binom.pmf(np.arange(n), n - 1, 0.5), moves


class Knower:
    """The exact posterior of who knows the world a person is from."""

    def __init__(self, curves: Floats, *, hard: bool) -> None:
        self.curves, self.hard = curves, hard
        share = (np.arange(N_SHOCKS) + 0.5) / N_SHOCKS
        self.shocks = stats.t.ppf(share, 3, scale=T3_SCALE) if hard else stats.norm.ppf(share)
        moods = Excitability(np.random.default_rng(0), hard)
        self.drifts, stays, self.moves = (
            _chain(moods.kept, moods.drift_sd, N_DRIFTS) if hard else (np.zeros(1), np.ones(1), np.eye(1))
        )
        self.weight = np.ones((len(curves), SPREADS.size, T_MSO.size, 1)) * stays
        self.weight /= self.weight.sum()
        self.evidence = 0.0

    def learn(self, s_mso: float, outcome: Outcome) -> None:
        noise_sd_uv = outcome.noise_uv / NOISE
        told = _outcome(outcome.amplitude_uv, noise_sd_uv, self.curves, self.shocks, Z, self.hard)
        if self.hard:
            silent = stats.norm.pdf(outcome.amplitude_uv / noise_sd_uv, NOISE, NOISE_SD) / noise_sd_uv
            large = 1 / 1950 if 50 <= outcome.amplitude_uv <= 2000 else 0.0
            told = (1 - LAPSES) * told + LAPSES * (silent + large) / 2
        _take_in(self.weight, told + 1e-12, s_mso, T_MSO, SPREADS, self.drifts)
        total = float(self.weight.sum())
        self.evidence += math.log(total)
        self.weight = (self.weight / total) @ self.moves

    def believed(self) -> Floats:
        """Return the posterior of threshold and spread, shape (n_t, n_spreads)."""
        return np.asarray(self.weight.sum(axis=(0, 3)).T)


class Observer:
    """One or both worlds thought possible, with equal odds."""

    def __init__(self, curves: Floats, worlds: tuple[bool, ...], *, informed: bool) -> None:
        self.knowers = [Knower(curves, hard=hard) for hard in worlds]
        self.sigma = float(np.mean(np.hypot(curves[:, 1] * curves[:, 2], curves[:, 3])))
        self.informed = informed

    def believed(self) -> Floats:
        evidence = np.array([knower.evidence for knower in self.knowers])
        odds = np.exp(evidence - evidence.max())
        return sum(odd * knower.believed() for odd, knower in zip(odds / odds.sum(), self.knowers, strict=True))

    def suggest(self) -> float:
        weight = self.believed()
        mass = weight.sum(axis=1)
        mean = float(mass @ T_MSO)
        if not self.informed:
            return float(round(mean))
        sd = max(math.sqrt(float(mass @ (T_MSO - mean) ** 2)), 1.0)
        offered = np.unique(np.round(mean + sd * np.linspace(-2, 2, 13)))
        merged = weight.reshape(-1, 3, SPREADS.size).sum(axis=1)
        still = np.zeros(merged.shape)
        told = posterior.expected_information(
            offered, SIZE_EDGES, merged, still, still, T_MSO[1::3], SPREADS, np.full(SPREADS.size, self.sigma)
        )
        return float(offered[int(np.argmax(told))])

    def learn(self, s_mso: float, outcome: Outcome) -> None:
        for knower in self.knowers:
            knower.learn(s_mso, outcome)

    def interval(self) -> tuple[float, float]:
        upto = np.concatenate(([0.0], np.cumsum(self.believed().sum(axis=1))))
        low, high = np.interp([0.025, 0.975], upto, np.append(T_MSO - 0.125, T_MSO[-1] + 0.125))
        return float(low), float(high)


def draw_curves(seed: int) -> Floats:
    """Return curves as the people have them, shape (n_curves, 6); see ``_outcome``."""
    drawn = [SizePerson(50.0, 0.07, Excitability(np.random.default_rng((seed, n)), False)) for n in range(N_CURVES)]
    return np.array([(math.log(p.y_max_uv), p.bend, p.before, p.after, p.v_threshold, p.per_spread) for p in drawn])


def hunt(people: list[Person], curves: Floats, worlds: tuple[bool, ...], *, informed: bool) -> str:
    """Hunt each person's threshold; return the pulses until the interval was narrow, and how many intervals held, as text."""
    held, narrow = (np.zeros((len(people), N_PULSES), dtype=bool) for _ in range(2))
    for p, person in enumerate(people):
        observer = Observer(curves, worlds, informed=informed)
        for n in range(N_PULSES):
            intensity = min(max(observer.suggest(), 0.0), 100.0)
            observer.learn(intensity, person.pulse(intensity))
            low, high = observer.interval()
            held[p, n] = low <= person.threshold_mso <= high
            narrow[p, n] = (high - low) / 2 <= HALF_WIDTH_MSO
    at = np.where(narrow.any(axis=1), narrow.argmax(axis=1), N_PULSES - 1)
    share = 100 * held.mean(axis=0)
    return f"{np.median(at + 1):8.0f}{100 * held[np.arange(len(at)), at].mean():9.1f}{share[9]:10.1f} /{share[19]:6.1f}"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--people", type=int, default=300)
    parser.add_argument("--seed", type=int, default=int(time.time()))
    options = parser.parse_args()
    curves = draw_curves(options.seed)
    print(f"{options.people} people of each world, seed {options.seed}")
    print(f"  {'people':8s}{'told':26s}{'pulses at':18s}{'stop at':>8s}{'held':>9s}{'at 10 / 20':>18s}")
    for hard in (False, True):
        for told, worlds in (("their world", (hard,)), ("one of both worlds", (False, True))):
            for informed in (False, True):
                people = make_people(SizePerson, options.people, options.seed, hard=hard)
                found = hunt(people, curves, worlds, informed=informed)
                name, where = "hard" if hard else "steady", "most information" if informed else "posterior mean"
                print(f"  {name:8s}{told:26s}{where:18s}{found}", flush=True)


if __name__ == "__main__":
    sys.exit(main())
