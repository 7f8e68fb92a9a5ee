"""An invented study over several sites whose truth is known, by a model that is none of the estimators'.

Sizes are gamma, not log-normal, and vary more where people do, and more when conditioned; levels of people are skewed, their
inhibition has heavy tails, sessions have heavy tails, sites differ in level, inhibition and noise; excitability drifts within a
block (each trial resembles the last), the first trials of a block are larger, the background of each trial drives its
size, noise is added to what is measured, and some trials are rejected. What is asked, ratios of geometric means, has its
truth by numerical integration over the people's coefficients of variation.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np
import pandas as pd
from scipy.special import digamma

Values = np.ndarray

#: People's coefficients of variation are spread evenly between these; conditioned trials vary more by the factor.
VARIATION, MORE_CONDITIONED = (0.4, 0.8), 1.2


@dataclass(frozen=True, kw_only=True)
class Truth:
    """Logarithms of the true ratios, and how far people, sessions and sites stray from them (standard deviations)."""

    inhibition: float = math.log(0.45)
    after: float = 0.20
    patients: float = -0.30
    inhibition_patients: float = 0.25
    inhibition_after: float = 0.10
    after_patients: float = 0.0
    person: float = 0.50
    person_inhibition: float = 0.35
    session: float = 0.25
    session_inhibition: float = 0.15
    block: float = 0.10
    site: float = 0.30
    site_inhibition: float = 0.12
    drift: float = 0.20
    test_uv: float = 900.0
    noise_uv: float = 0.0

    def geometric(self, question: str) -> float:
        """Return the true log ratio of geometric means; conditioned trials vary more, which lowers theirs a little."""
        between = self.inhibition + self.inhibition_patients / 2 + self.inhibition_after / 2 + _geometric_shift()
        return {
            "condition": between, "time": self.after + self.after_patients / 2, "group": self.patients + self.after_patients / 2,
            "condition x group": self.inhibition_patients, "condition x time": self.inhibition_after,
            "time x group": self.after_patients,
        }[question]  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Study:
    """An invented study: trial table, table of participants, and the mean of what its sites' inhibition strays."""

    trials: pd.DataFrame
    people: pd.DataFrame
    truth: Truth
    sites_stray: float

    def of_these_sites(self, question: str) -> float:
        """Return the true log ratio as the mean of the study's very sites."""
        return self.truth.geometric(question) + (self.sites_stray if question == "condition" else 0.0)


@cache
def _geometric_shift() -> float:
    """Return the mean over people of log geometric over arithmetic mean, conditioned minus unconditioned."""
    nodes, weights = np.polynomial.legendre.leggauss(64)
    variation = (VARIATION[0] + VARIATION[1]) / 2 + (VARIATION[1] - VARIATION[0]) / 2 * nodes
    return float(weights @ (_log_gap(MORE_CONDITIONED * variation) - _log_gap(variation)) / 2)


def _log_gap(variation: Values) -> Values:
    shape = 1 / variation**2
    return np.asarray(digamma(shape) - np.log(shape))


def _heavy(random: np.random.Generator, sd: float, shape: tuple[int, ...]) -> Values:
    """Return values with heavy tails: Student's with 5 degrees of freedom, of this standard deviation."""
    return sd * random.standard_t(5, shape) * math.sqrt(3 / 5)


def _skewed(random: np.random.Generator, sd: float, shape: tuple[int, ...]) -> Values:
    """Return values skewed to the right, of mean 0 and this standard deviation."""
    return sd * (random.gamma(4.0, 1.0, shape) - 4.0) / 2.0


def study(
    truth: Truth, random: np.random.Generator, *, sites: int = 5, people: int = 20, trials: int = 20, blocks: int = 2
) -> Study:
    """Return a study: ``people`` per site, half of them patients, two sessions each, before and after.

    ``trials`` of each of two conditions per session, in ``blocks`` of random order.
    """
    total, per_block = sites * people, trials // blocks
    n = 2 * per_block
    at, patient = np.repeat(np.arange(sites), people), np.arange(total) % 2
    shape = (total, 2, blocks, n)
    conditioned = random.permuted(np.broadcast_to(np.arange(n) % 2, shape), axis=3)
    after = np.broadcast_to(np.arange(2)[None, :, None, None], shape)
    ill = np.broadcast_to(patient[:, None, None, None], shape)
    variation = random.uniform(*VARIATION, total)[:, None, None, None] * np.where(
        conditioned == 1, MORE_CONDITIONED, 1.0
    )
    background = random.normal(0.0, 1.0, shape)
    level = (
        math.log(truth.test_uv)
        + _heavy(random, truth.site, (sites,))[at][:, None, None, None]
        + _skewed(random, truth.person, (total, 1, 1, 1))
        + _heavy(random, truth.session, (total, 2, 1, 1))
        + random.normal(0.0, truth.block, (total, 2, blocks, 1))
        + truth.after * after + truth.patients * ill + truth.after_patients * after * ill
        + _drift(random, truth.drift, shape) + 0.3 * np.exp(-np.arange(n) / 1.5) + 0.15 * background
    )  # fmt: skip
    stray = random.uniform(-1, 1, sites) * truth.site_inhibition * math.sqrt(3)
    inhibition = (
        truth.inhibition + stray[at][:, None, None, None]
        + _heavy(random, truth.person_inhibition, (total, 1, 1, 1))
        + random.normal(0.0, truth.session_inhibition, (total, 2, 1, 1))
        + truth.inhibition_patients * ill + truth.inhibition_after * after
    )  # fmt: skip
    mean = np.exp(level + conditioned * inhibition)
    size = random.gamma(1 / variation**2, variation**2 * mean)
    noise = truth.noise_uv * random.uniform(0.7, 1.3, sites)[at][:, None, None, None]
    measured = np.maximum(size + random.normal(0.0, 0.2, shape) * noise, 0.0)
    known = np.broadcast_to(np.where(noise > 0, noise, np.nan), shape)
    trials_table, people_table = _tables(measured, conditioned, background, known, at, patient, random)
    return Study(trials=trials_table, people=people_table, truth=truth, sites_stray=float(stray.mean()))


def _drift(random: np.random.Generator, sd: float, shape: tuple[int, ...], keeps: float = 0.85) -> Values:
    """Return a drift within each block: each value keeps a share of the last."""
    steps = random.normal(0.0, sd, shape)
    for trial in range(1, shape[3]):
        steps[..., trial] = keeps * steps[..., trial - 1] + math.sqrt(1 - keeps**2) * steps[..., trial]
    return steps


def _tables(
    measured: Values, conditioned: Values, background: Values, noise: Values, at: Values, patient: Values,
    random: np.random.Generator,
) -> tuple[pd.DataFrame, pd.DataFrame]:  # fmt: skip
    shape = measured.shape
    person, session, block, trial = (axis.ravel() for axis in np.indices(shape))
    names = np.array([f"p{number:03d}" for number in range(shape[0])])
    table = pd.DataFrame(
        {
            "participant": names[person],
            "session": np.array(["1", "2"])[session],
            "timepoint": np.array(["before", "after"])[session],
            "recording": np.char.add(np.char.add(names, "-"), "r")[person] + session.astype(str),
            "block": block.astype(str),
            "sweep": block * shape[3] + trial + 1,
            "onset_s": 5.0 * (block * shape[3] + trial),
            "muscle": "FDI",
            "side": "right",
            "stim_type": np.where(conditioned.ravel() == 1, "paired", "single"),
            "condition": np.where(conditioned.ravel() == 1, "pair", "test"),
            "isi_ms": np.where(conditioned.ravel() == 1, 2.0, np.nan),
            "background_rms_uv": 3.0 * np.exp(0.2 * background.ravel()),
            "amplitude_uv": measured.ravel() + np.nan_to_num(noise.ravel()),
            "size_uv": measured.ravel(),
            "noise_uv": noise.ravel(),
            "verdict": np.where(random.random(measured.size) < 0.03, "reject", "accept"),
        }
    )
    people = pd.DataFrame(
        {
            "participant_id": names,
            "group": np.array(["control", "patient"])[patient],
            "site": np.char.add("site", at.astype(str)),
        }
    )
    return table, people
