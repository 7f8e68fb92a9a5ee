"""Recruitment curves: crashes, nonsense, coverage and time of the interval of S50, beside least squares.

    python bench/recruitment.py [--people N] [--seed S] [--lmfit-people N]

People: plateau 0.5 to 8 mV, S50 and steepness drawn freely, 7 to 11 intensities, 5 to 10 trials each in a range fixed
without knowing the person, so that some never reach their plateau. Three worlds: the Boltzmann curve with log-normal
sizes; a Hill curve with gamma sizes, neither of which is the fitted model; and the Boltzmann curve with Student tails (5
degrees of freedom). Recording noise of about 15 uV varies from trial to trial and hides small responses.

Nonsense is silent when no reason is given and the value is not finite, or lies outside its interval, or S50 lies more
than the range of intensities outside it. Coverage counts an open interval as holding what lies on its open side. The
peers fit the same trials: curve_fit in microvolts, curve_fit of the log with a floor (both with t intervals from their
covariance), and lmfit's profile interval of the latter.
"""

from __future__ import annotations

import argparse
import math
import time
import warnings
from collections.abc import Callable
from dataclasses import dataclass

import lmfit
import numpy as np
from numpy.typing import NDArray
from scipy import stats
from scipy.optimize import curve_fit

from decussa.estimate.recruitment import fit_recruitment
from decussa.estimate.recruitment_shapes import s50_ends
from decussa.model.estimate import Estimate

Values = NDArray[np.float64]


@dataclass(frozen=True)
class Person:
    """Trials of one person: intensities in % MSO, raw sizes and noise in uV; the true S50."""

    intensity_mso: Values
    raw_uv: Values
    size_uv: Values
    noise_uv: Values
    s50_mso: float


def make_person(rng: np.random.Generator, world: str) -> Person:
    s50, k = rng.uniform(48, 90), rng.uniform(2, 6)
    intensity = np.repeat(np.linspace(40, 88, rng.integers(7, 12)).round(), rng.integers(5, 11))
    top = math.exp(rng.uniform(math.log(500), math.log(8000)))
    spread = rng.uniform(0.3, 0.7)
    if world == "Hill, gamma":
        median = top / (1 + (s50 / intensity) ** (s50 / k))
        shape = 1 / math.expm1(spread**2)
        # a gamma's median is not its mean: scaled so that the curve is the median's
        factor = rng.gamma(shape, 1 / float(stats.gamma.ppf(0.5, shape)), intensity.size)
    else:
        median = top / (1 + np.exp((s50 - intensity) / k))
        tails = world == "Boltzmann, t tails"
        shock = rng.standard_t(5, intensity.size) / math.sqrt(5 / 3) if tails else rng.standard_normal(intensity.size)
        factor = np.exp(spread * shock)
    noise = 15 * np.exp(0.15 * rng.standard_normal(intensity.size))
    size = median * factor
    return Person(intensity, size + noise, np.where(size > noise, size, 0.0), noise, s50)


def ours_with_noise(person: Person) -> Estimate:
    return fit_recruitment(person.intensity_mso, person.size_uv, noise_uv=person.noise_uv).s50


def ours_floor(person: Person) -> Estimate:
    return fit_recruitment(person.intensity_mso, person.raw_uv).s50


def ours_boltzmann(person: Person) -> Estimate:
    return fit_recruitment(person.intensity_mso, person.size_uv, noise_uv=person.noise_uv, shape="boltzmann").s50


def _linear(s: Values, top: float, s50: float, k: float) -> Values:
    return np.asarray(top / (1 + np.exp(np.clip((s50 - s) / k, -500, 500))))


def _logarithmic(s: Values, log_top: float, s50: float, log_k: float, log_floor: float) -> Values:
    rise = log_top - np.logaddexp(0, (s50 - s) / np.exp(np.clip(log_k, -20, 20)))
    return np.asarray(np.logaddexp(rise, log_floor))


def _fit(curve: Callable[..., Values], person: Person, y: Values, start: list[float], place: int) -> Estimate:
    best, covariance = curve_fit(curve, person.intensity_mso, y, p0=start, maxfev=5000)
    half = float(stats.t.ppf(0.975, y.size - len(start))) * math.sqrt(covariance[place, place])
    return Estimate(value=float(best[place]), low=float(best[place] - half), high=float(best[place] + half))


def curve_fit_uv(person: Person) -> Estimate:
    return _fit(_linear, person, person.raw_uv, [float(person.raw_uv.max()), 62.0, 4.0], 1)


def curve_fit_log(person: Person) -> Estimate:
    y = np.log(person.raw_uv)
    return _fit(_logarithmic, person, y, [float(y.max()), 62.0, math.log(4.0), float(y.min())], 1)


def lmfit_log(person: Person) -> Estimate:
    y = np.log(person.raw_uv)

    def residuals(parameters: lmfit.Parameters) -> Values:
        p = parameters.valuesdict()
        return y - _logarithmic(person.intensity_mso, p["top"], p["s50"], p["k"], p["floor"])

    start = lmfit.create_params(top=float(y.max()), s50=62.0, k=math.log(4.0), floor=float(y.min()))
    fitter = lmfit.Minimizer(residuals, start)
    low, middle, high = (
        value for _, value in lmfit.conf_interval(fitter, fitter.minimize(), p_names=["s50"], sigmas=[0.95])["s50"]
    )
    return Estimate(value=middle, low=low, high=high)


def is_nonsense(found: Estimate) -> bool:
    if found.reason:
        return False
    return not (
        math.isfinite(found.low) and math.isfinite(found.high) and found.low <= found.value <= found.high
    ) or not (40 - 48 <= found.value <= 88 + 48)


def describe(name: str, fit: Callable[[Person], Estimate], people: list[Person]) -> str:
    crashed = nonsense = held = said = 0
    widths, errors = [], []
    since = time.process_time()
    for person in people:
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                found = fit(person)
        except (RuntimeError, ValueError, TypeError, ZeroDivisionError, lmfit.minimizer.MinimizerException):
            crashed += 1
            continue
        nonsense += is_nonsense(found)
        said += bool(found.reason)
        held += found.low <= person.s50_mso <= found.high
        if math.isfinite(found.high - found.low):
            widths.append(found.high - found.low)
        errors.append(found.value - person.s50_mso)
    seconds = (time.process_time() - since) / len(people)
    return (
        f"  {name:26s}{100 * crashed / len(people):7.2f}{100 * nonsense / len(people):9.2f}"
        f"{100 * held / max(1, len(people) - crashed):9.1f}{100 * said / len(people):9.1f}"
        f"{np.nanmedian(errors):+8.2f}{np.median(widths):8.2f}{1e3 * seconds:9.2f}"
    )


def interval_ms(people: list[Person]) -> float:
    """Return the processor time of the interval of S50 alone, once the curves are fitted."""
    spent = 0.0
    for person in people:
        shapes = fit_recruitment(person.intensity_mso, person.raw_uv)._shapes
        if shapes is None:
            continue
        since = time.process_time()
        s50_ends(shapes)
        spent += time.process_time() - since
    return 1e3 * spent / len(people)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--people", type=int, default=1000)
    parser.add_argument("--lmfit-people", type=int, default=100)
    parser.add_argument("--seed", type=int, default=int(time.time()))
    options = parser.parse_args()
    print(f"{options.people} people in each world, seed {options.seed}")
    for number, world in enumerate(("Boltzmann, log-normal", "Hill, gamma", "Boltzmann, t tails")):
        rng = np.random.default_rng((options.seed, number))
        people = [make_person(rng, world) for _ in range(options.people)]
        fit_recruitment(people[0].intensity_mso, people[0].raw_uv)
        print(f"\n{world}\n  {'':26s}crash % nonsense  cover %   said %    bias   width  ms a fit")
        print(describe("ours, noise given", ours_with_noise, people), flush=True)
        print(describe("ours, floor fitted", ours_floor, people), flush=True)
        print(describe("ours, Boltzmann presumed", ours_boltzmann, people), flush=True)
        print(f"  interval of S50 alone, ours: {interval_ms(people[:500]):.2f} ms")
        print(describe("curve_fit in uV", curve_fit_uv, people), flush=True)
        print(describe("curve_fit of the log", curve_fit_log, people), flush=True)
        few = people[: options.lmfit_people]
        print(describe(f"lmfit profile ({len(few)})", lmfit_log, few), flush=True)


if __name__ == "__main__":
    main()
