"""Pulses to a threshold: ours beside the general peers and the published procedures, on people none of them modelled.

    python -m bench.threshold [--people N] [--seed S] [--quest-people N]

People: threshold uniform from 30 to 80 % MSO, relative spread uniform from 3 to 12 %; no estimator has that prior.
Four worlds, each person's threshold known exactly (P(size >= 50 uV) = 0.5):

- yes/no: a cumulative Gaussian.
- sizes: a recruitment curve that saturates (no lower plateau), variability before and after it, amplifier noise.
- both again, hard: excitability drifts (first-order autoregression, 30 pulses, SD 0.2 spreads), variability has t tails
  with 3 degrees of freedom, and 2 % of pulses are lapses, half of them silent, half large.

Printed: pulses until 95 % of people are within 2 and 3 % MSO, coverage of 95 % intervals at 10, 20 and 40 pulses and
where the stop rule (interval within 3 % MSO) stops, median pulses there, processor time per suggestion. How soon a hunt could
stop at best: bench/ideal.py.
"""

from __future__ import annotations

import argparse
import math
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from bench.threshold_bounds import bound
from bench.threshold_people import Outcome, Person, SizePerson, YesNoPerson, make_people
from decussa.estimate import threshold
from decussa.estimate.threshold import bayesian_hunting, five_of_ten, likelihood_hunting, two_threshold


class Procedure(Protocol):
    """One way to hunt, in the shape all are run in."""

    def suggest(self) -> float: ...
    def learn(self, intensity_mso: float, outcome: Outcome) -> None: ...
    def answer(self) -> tuple[float, float, float]: ...


class Ours:
    def __init__(self, *, sizes: bool) -> None:
        self.state, self.sizes = threshold.start(), sizes

    def suggest(self) -> float:
        return threshold.suggest(self.state)

    def learn(self, intensity_mso: float, outcome: Outcome) -> None:
        if self.sizes:
            self.state = threshold.learn(self.state, intensity_mso, outcome.amplitude_uv, noise_uv=outcome.noise_uv)
        else:
            self.state = threshold.learn(self.state, intensity_mso, response=outcome.response)

    def answer(self) -> tuple[float, float, float]:
        found = threshold.summary(self.state)
        return found.value, found.low, found.high


class Hunting:
    """Maximum-likelihood or Bayesian hunting, as shipped."""

    def __init__(self, module: object) -> None:
        self.module = module
        self.state = module.start()

    def suggest(self) -> float:
        return self.module.suggest(self.state)

    def learn(self, intensity_mso: float, outcome: Outcome) -> None:
        self.state = self.module.learn(self.state, intensity_mso, response=outcome.response)

    def answer(self) -> tuple[float, float, float]:
        found = self.module.summary(self.state)
        return found.value, found.low, found.high


class PlainGrid:
    """Textbook Bayes from yes and no: flat grid over threshold and spread, next pulse at the posterior mean."""

    T, R = np.meshgrid(np.arange(15.0, 100.0, 0.5), np.linspace(0.02, 0.15, 8), indexing="ij")

    def __init__(self) -> None:
        self.log_weight = np.zeros(self.T.shape)

    def _mass(self) -> NDArray[np.float64]:
        weight = np.exp(self.log_weight - self.log_weight.max()).sum(axis=1)
        return weight / weight.sum()

    def suggest(self) -> float:
        return float(np.clip(round(float(self._mass() @ self.T[:, 0])), 0, 100))

    def learn(self, intensity_mso: float, outcome: Outcome) -> None:
        z = (intensity_mso - self.T) / (self.R * self.T)
        self.log_weight = self.log_weight + np.log(0.98 * ndtr(z if outcome.response else -z) + 0.01)

    def answer(self) -> tuple[float, float, float]:
        mass = self._mass()
        low, high = np.interp([0.025, 0.975], np.cumsum(mass), self.T[:, 0])
        return float(mass @ self.T[:, 0]), float(low), float(high)


class QuestPlusPeer:
    """The questplus package: cumulative Gaussian, mean and SD unknown, next pulse by least expected entropy."""

    MEANS, SDS = np.arange(20.0, 91.0), np.array([1.0, 1.6, 2.5, 4.0, 6.3, 10.0])

    def __init__(self) -> None:
        from questplus import QuestPlus

        self.hunt = QuestPlus(
            stim_domain={"intensity": np.arange(20.0, 101.0)},
            param_domain={"mean": self.MEANS, "sd": self.SDS, "lower_asymptote": [0.01], "lapse_rate": [0.01]},
            outcome_domain={"response": ["yes", "no"]},
            func="norm_cdf",
            stim_scale="linear",
        )

    def suggest(self) -> float:
        return float(self.hunt.next_stim["intensity"])

    def learn(self, intensity_mso: float, outcome: Outcome) -> None:
        self.hunt.update(stim={"intensity": intensity_mso}, outcome={"response": "yes" if outcome.response else "no"})

    def answer(self) -> tuple[float, float, float]:
        mass = self.hunt.marginal_posterior["mean"]
        low, high = np.interp([0.025, 0.975], np.cumsum(mass), self.MEANS)
        return float(mass @ self.MEANS), float(low), float(high)


@dataclass(frozen=True)
class Run:
    """Errors, coverage and half-widths, each of shape (n_people, n_pulses), and seconds per suggestion."""

    error_mso: NDArray[np.float64]
    covered: NDArray[np.bool_]
    half_width_mso: NDArray[np.float64]
    suggestion_s: NDArray[np.float64]


def run(people: list[Person], begin: Callable[[], Procedure], n_pulses: int) -> Run:
    error, half_width, seconds = (np.full((len(people), n_pulses), np.nan) for _ in range(3))
    covered = np.zeros(error.shape, dtype=bool)
    for p, person in enumerate(people):
        procedure = begin()
        for n in range(n_pulses):
            since = time.process_time()
            intensity = procedure.suggest()
            seconds[p, n] = time.process_time() - since
            procedure.learn(intensity, person.pulse(intensity))
            value, low, high = procedure.answer()
            error[p, n] = value - person.threshold_mso
            covered[p, n] = low <= person.threshold_mso <= high
            half_width[p, n] = (high - low) / 2
    return Run(error, covered, half_width, seconds)


def pulses_until(error_mso: NDArray[np.float64], within_mso: float) -> float:
    """Return the first count from which 95 % of people are within ``within_mso``, and stay so for three pulses."""
    good = (np.abs(error_mso) <= within_mso).mean(axis=0) >= 0.95
    lasting = good[:-2] & good[1:-1] & good[2:]
    return float(np.argmax(lasting) + 1) if lasting.any() else math.inf


def describe(name: str, result: Run) -> str:
    narrow = result.half_width_mso <= 3
    stopped = narrow.any(axis=1)
    at = np.where(stopped, narrow.argmax(axis=1), narrow.shape[1] - 1)
    rows = np.arange(len(at))
    cover = [f"{100 * result.covered[:, n - 1].mean():5.1f}" for n in (10, 20, 40)]
    return (
        f"  {name:28s}{pulses_until(result.error_mso, 2):6.0f} /{pulses_until(result.error_mso, 3):4.0f}   "
        f"{' '.join(cover)}   {np.median(at + 1):5.0f}  {100 * result.covered[rows, at].mean():5.1f}   "
        f"{1e3 * np.median(result.suggestion_s):7.3f}"
    )


def count(people: list[Person], module: object, begin: Callable[[Person], object]) -> str:
    """Run one of the counting procedures to its end and say how many pulses it took and how close it came."""
    pulses, errors = [], []
    for person in people:
        state = begin(person)
        while not module.done(state):
            state = module.learn(state, state.level_mso, response=person.pulse(state.level_mso).response)
        pulses.append(state.n)
        errors.append(module.summary(state).value - person.threshold_mso)
    off = np.abs(np.array(errors))
    name = module.__name__.rsplit(".", 1)[1]
    return (
        f"  {name:28s}{np.mean(pulses):6.0f} pulses on average; within 2 / 3 % MSO: "
        f"{100 * np.mean(off <= 2):.0f} / {100 * np.mean(off <= 3):.0f} %"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--people", type=int, default=300)
    parser.add_argument("--quest-people", type=int, default=60, help="QUEST+ is slow: it gets the first so many people")
    parser.add_argument("--seed", type=int, default=int(time.time()))
    parser.add_argument("--worlds", default="yes/no,sizes,yes/no hard,sizes hard")
    parser.add_argument("--only", default="", help="run only what is named so or begins so: ours, or 'ours, sizes'")
    options = parser.parse_args()
    print(f"{options.people} people, seed {options.seed}")
    for world in options.worlds.split(","):
        hard, sizes = world.endswith("hard"), world.startswith("sizes")
        n_pulses = 100 if hard else 60
        kind = SizePerson if sizes else YesNoPerson

        def people(n: int = options.people, kind: type = kind, hard: bool = hard) -> list[Person]:
            return make_people(kind, n, options.seed, hard=hard)

        print(f"\nWorld: {world}")
        print("  until 95 % of people within       2 /   3 %   cover at 10, 20, 40   stop at  cover   ms/suggestion")
        for told in [True, False] if sizes else [False]:
            near, wide = (bound(people(), within, sizes=told) for within in (2, 3))
            print(f"  {'bound, sizes' if told else 'bound, yes/no':28s}{near:6d} /{wide:4d}")
        contenders: dict[str, Callable[[], Procedure]] = {"ours, yes/no": lambda: Ours(sizes=False)}
        if sizes:
            contenders = {"ours, sizes": lambda: Ours(sizes=True), **contenders}
        if not options.only:
            contenders["plain grid Bayes"] = PlainGrid
            contenders["maximum-likelihood hunting"] = lambda: Hunting(likelihood_hunting)
            contenders["Bayesian hunting"] = lambda: Hunting(bayesian_hunting)
        for name, begin in contenders.items():
            if name.startswith(options.only):
                print(describe(name, run(people(), begin, n_pulses)), flush=True)
        if not options.only:
            few = run(people(options.quest_people), QuestPlusPeer, n_pulses)
            print(describe(f"questplus ({options.quest_people} people)", few), flush=True)
            print(count(people(), five_of_ten, lambda p: five_of_ten.start(start_mso=math.ceil(1.2 * p.threshold_mso))))
            print(
                count(people(), two_threshold, lambda p: two_threshold.start(start_mso=round(0.75 * p.threshold_mso)))
            )


if __name__ == "__main__":
    sys.exit(main())
