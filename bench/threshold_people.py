"""People with a motor threshold that is known exactly, made by no estimator's model: the worlds of bench/threshold.py."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import ndtr

CRITERION_UV = 50.0
#: Scales Student's t with 3 degrees of freedom so that its density at 0 is the Gaussian's: the spread, which is the slope
#: of P(response) at threshold, stays the same and only the tails grow.
T3_SCALE = (2 / (math.pi * math.sqrt(3))) * math.sqrt(2 * math.pi)
LAPSES = 0.02


@dataclass(frozen=True)
class Outcome:
    """What one pulse shows: raw peak-to-peak in uV (NaN in a yes/no world), usual noise in uV, response or not."""

    amplitude_uv: float
    noise_uv: float
    response: bool


class Person(Protocol):
    threshold_mso: float
    spread: float
    excitability: Excitability

    def pulse(self, intensity_mso: float) -> Outcome: ...


@dataclass
class Excitability:
    """What varies from pulse to pulse; ``hard`` adds drift, tails and lapses."""

    rng: np.random.Generator
    hard: bool
    drift: float = 0.0
    kept: float = math.exp(-1 / 30)
    drift_sd: float = 0.2

    def __post_init__(self) -> None:
        self.drift = self.drift_sd * self.rng.standard_normal() if self.hard else 0.0

    def shock(self) -> float:
        return float(T3_SCALE * self.rng.standard_t(3) if self.hard else self.rng.standard_normal())

    def step(self) -> tuple[float, str]:
        """Return the drift now, in spreads, and whether this pulse is a lapse."""
        if not self.hard:
            return 0.0, ""
        kick = math.sqrt(1 - self.kept**2) * self.drift_sd
        self.drift = self.kept * self.drift + kick * self.rng.standard_normal()
        lapse = "" if self.rng.random() > LAPSES else ("silent" if self.rng.random() < 0.5 else "large")
        return self.drift, lapse


@dataclass
class YesNoPerson:
    threshold_mso: float
    spread: float
    excitability: Excitability

    def pulse(self, intensity_mso: float) -> Outcome:
        drift, lapse = self.excitability.step()
        z = (intensity_mso - self.threshold_mso) / (self.spread * self.threshold_mso) + drift
        answer = z + self.excitability.shock() > 0
        if lapse:
            answer = lapse == "large"
        return Outcome(math.nan, math.nan, bool(answer))


_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(40)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()


@dataclass
class SizePerson:
    """Sizes from y_max / (1 + exp(-v))^q: v moves with intensity and with variability before the curve."""

    threshold_mso: float
    spread: float
    excitability: Excitability
    y_max_uv: float = field(init=False)
    bend: float = field(init=False)
    before: float = field(init=False)
    after: float = field(init=False)
    noise_sd_uv: float = field(init=False)
    v_threshold: float = field(init=False)
    per_spread: float = field(init=False)

    def __post_init__(self) -> None:
        rng = self.excitability.rng
        self.y_max_uv = 1000 * math.exp(rng.normal(math.log(3), 0.5))
        self.bend = rng.uniform(1, 2)
        self.before = rng.uniform(0.2, 0.5)
        self.after = rng.uniform(0.25, 0.5)
        self.noise_sd_uv = rng.uniform(1.5, 5)
        self.v_threshold = brentq(lambda v: self._passing(v) - 0.5, -20, 20)
        slope = (self._passing(self.v_threshold + 1e-4) - self._passing(self.v_threshold - 1e-4)) / 2e-4
        # one spread above threshold the curve has moved so far that P rises as the cumulative Gaussian's does
        self.per_spread = 1 / math.sqrt(2 * math.pi) / slope

    def _log_curve(self, v: NDArray[np.float64] | float) -> NDArray[np.float64]:
        return math.log(self.y_max_uv) - self.bend * np.logaddexp(0.0, -np.asarray(v))

    def _passing(self, v: float) -> float:
        above = (self._log_curve(v + self.before * _NODES) - math.log(CRITERION_UV)) / self.after
        return float(_WEIGHTS @ ndtr(above))

    def pulse(self, intensity_mso: float) -> Outcome:
        drift, lapse = self.excitability.step()
        rng = self.excitability.rng
        z = (intensity_mso - self.threshold_mso) / (self.spread * self.threshold_mso) + drift
        v = self.v_threshold + self.per_spread * z + self.before * self.excitability.shock()
        size = math.exp(float(self._log_curve(v)) + self.after * self.excitability.shock())
        if lapse:
            size = 0.0 if lapse == "silent" else rng.uniform(50, 2000)
        # peak-to-peak of noise alone over about 60 independent samples: 4.64 SD, give or take 0.68
        noise_only = self.noise_sd_uv * max(0.5, rng.normal(4.64, 0.68))
        raw = max(noise_only, size + math.sqrt(2) * self.noise_sd_uv * rng.standard_normal())
        return Outcome(raw, 4.64 * self.noise_sd_uv, raw >= CRITERION_UV)


def make_people(kind: type, n: int, seed: int, *, hard: bool) -> list[Person]:
    people = []
    for child in np.random.SeedSequence(seed).spawn(n):
        rng = np.random.default_rng(child)
        t, r = rng.uniform(30, 80), rng.uniform(0.03, 0.12)
        people.append(kind(t, r, Excitability(rng, hard)))
    return people
