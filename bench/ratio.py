"""How often the interval of a ratio holds the truth, and what stopping early saves.

    python bench/ratio.py [--people N] [--seed S] [--bootstrap-people N]

Sizes are log-normal or gamma; neither is the model of the default interval. Every method is judged against its own
estimand: the ratio of arithmetic or of geometric means. Beside the package's methods, the percentile bootstrap of scipy,
and the geometric ratio read as a ratio of means, as is often done.

Stopping: people's coefficients of variation differ (0.4 to 0.9 in each condition), their ratio lies between 0.2 and 2. The
number fixed beforehand is the one at which 90 % of people's intervals are as narrow as the stopping rule demands of
every person's; the saving is the mean number under the rule over that number. At the same mean width there is nothing to
save, since a rule that gives everybody the same width spends more on those who vary more: both widths are printed.
"""

from __future__ import annotations

import argparse
import itertools
import math
import time
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy import stats
from scipy.special import digamma

from decussa.estimate import ratio_stopping
from decussa.estimate.ratio import ratio
from decussa.model.estimate import Estimate

Values = NDArray[np.float64]
NUMBERS = (10, 20)
VARIATIONS = (0.5, 0.8)
RATIOS = (0.4, 1.4)
OURS = ("log-t", "fieller", "log-delta", "geometric")


def draw(rng: np.random.Generator, kind: str, variation: float, n: int) -> tuple[Values, float]:
    """Return ``n`` sizes of arithmetic mean 1, and their geometric mean in the population."""
    if kind == "log-normal":
        variance = math.log1p(variation**2)
        return rng.lognormal(-variance / 2, math.sqrt(variance), n), math.exp(-variance / 2)
    shape = 1 / variation**2
    return rng.gamma(shape, 1 / shape, n), math.exp(float(digamma(shape)) - math.log(shape))


def percentile_bootstrap(conditioned: Values, unconditioned: Values) -> Estimate:
    """Return scipy's percentile bootstrap of the ratio of means."""
    found = stats.bootstrap(
        (conditioned, unconditioned), lambda c, u, axis: c.mean(axis) / u.mean(axis), vectorized=True,
        method="percentile", n_resamples=1999, rng=0,
    ).confidence_interval  # fmt: skip
    return Estimate(low=float(found.low), high=float(found.high))


def coverage(
    make: Callable[[Values, Values], Estimate], kind: str, truth: str, people: int, seed: int
) -> dict[tuple[float, ...], float]:
    """Return the share of intervals that hold the truth, in %, for every cell of numbers, variations and ratios."""
    shares = {}
    cells = itertools.product(NUMBERS, NUMBERS, VARIATIONS, VARIATIONS, RATIOS)
    for number, cell in enumerate(cells):
        n, m, varies_c, varies_u, of_means = cell
        rng = np.random.default_rng((seed, number))
        held = 0
        for _ in range(people):
            conditioned, middle_c = draw(rng, kind, varies_c, n)
            unconditioned, middle_u = draw(rng, kind, varies_u, m)
            target = of_means * (middle_c / middle_u if truth == "geometric" else 1.0)
            found = make(of_means * conditioned, unconditioned)
            held += found.low <= target <= found.high
        shares[cell] = 100 * held / people
    return shares


def describe(name: str, shares: dict[tuple[float, ...], float]) -> str:
    worst = min(shares, key=shares.__getitem__)
    inside = sum(93 <= share <= 97 for share in shares.values())
    n, m, varies_c, varies_u, of_means = worst
    return (
        f"  {name:34s}{np.mean(list(shares.values())):6.1f}{shares[worst]:7.1f}{max(shares.values()):7.1f}"
        f"{inside:5d} of {len(shares)}   n {n}, {m}; CV {varies_c}, {varies_u}; ratio {of_means}"
    )


def stop(kind: str, within: float, people: int, seed: int) -> str:
    rng = np.random.default_rng((seed, 99))
    most = 80
    held, taken, width, fixed = 0, [], [], []
    for _ in range(people):
        of_means = math.exp(rng.uniform(math.log(0.2), math.log(2)))
        conditioned = of_means * draw(rng, kind, rng.uniform(0.4, 0.9), most)[0]
        unconditioned = draw(rng, kind, rng.uniform(0.4, 0.9), most)[0]
        state = ratio_stopping.start(within=within, most=most)
        for size_c, size_u in zip(conditioned, unconditioned, strict=True):
            state = ratio_stopping.learn(state, "unconditioned", size_u)
            state = ratio_stopping.learn(state, "conditioned", size_c)
            if ratio_stopping.done(state):
                break
        found = ratio_stopping.summary(state)
        held += found.low <= of_means <= found.high
        taken.append(state.n / 2)
        width.append(math.log(found.high / found.value))
        fixed.append(
            [math.log((one := ratio(conditioned[:n], unconditioned[:n])).high / one.value) for n in range(10, most + 1)]
        )
    narrow = (np.array(fixed) <= math.log(within)).mean(axis=0) >= 0.9
    number = 10 + int(np.argmax(narrow)) if narrow.any() else most
    fixed_width = float(np.mean(np.array(fixed)[:, number - 10]))
    return (
        f"  {kind:11s}within {within:4.2f}: {np.mean(taken):5.1f} of each condition against {number} fixed, "
        f"saved {100 * (1 - np.mean(taken) / number):3.0f} %; coverage {100 * held / people:.1f}; "
        f"mean half-width (log) {np.mean(width):.3f} against {fixed_width:.3f}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--people", type=int, default=1000, help="in each of the 32 cells")
    parser.add_argument("--bootstrap-people", type=int, default=200)
    parser.add_argument("--stopping-people", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=int(time.time()))
    options = parser.parse_args()
    error = 100 * math.sqrt(0.95 * 0.05 / options.people)
    print(f"{options.people} people a cell (one standard error {error:.2f} points), seed {options.seed}")
    for kind in ("log-normal", "gamma"):
        print(
            f"\nSizes: {kind}; coverage of 95 % intervals in % over 32 cells\n  {'':34s}  mean  least   most   93 to 97"
        )
        for method in OURS:

            def make(conditioned: Values, unconditioned: Values, method: str = method) -> Estimate:
                return ratio(conditioned, unconditioned, method=method)

            print(describe(method, coverage(make, kind, method, options.people, options.seed)), flush=True)
        print(
            describe("geometric, read as ratio of means", coverage(make, kind, "means", options.people, options.seed))
        )
        few = options.bootstrap_people
        peers = {
            f"bootstrap, BCa ({few} people)": lambda c, u: ratio(c, u, method="bootstrap"),
            f"bootstrap, percentile ({few} people)": percentile_bootstrap,
        }
        for name, peer in peers.items():
            print(describe(name, coverage(peer, kind, "means", few, options.seed)), flush=True)
    print("\nStopping early, rule fixed before the block")
    for kind, within in itertools.product(("log-normal", "gamma"), (1.4, 1.6)):
        print(stop(kind, within, options.stopping_people, options.seed), flush=True)


if __name__ == "__main__":
    main()
