"""Pulses to the hotspot: distance from the true best point after 30 pulses, beside fixed numbers per site.

    python bench/hotspot.py [--people N] [--seed S] [--worlds round,oblong,cone]

The grid is 7 x 7 cm with 1 cm between sites; the best point lies anywhere in the middle 5 x 5 cm, between sites too, and
the search starts at a site up to 3 cm off. In three worlds sizes scatter with a log SD of 0.5 to 0.8 around a map of log
size that falls off with an SD of 1 to 2 cm, peak 0.3 to 3 mV, above noise of about 15 uV:

- round: as just said, log-normal.
- oblong: the map is an ellipse (ratio of its axes 1.3 to 2, any angle), the size saturates at the top, excitability drifts
  (first-order autoregression over 20 pulses, log SD 0.3), tails are Student's with 4 degrees of freedom, one pulse in 50
  is lost.
- cone: log size falls off linearly with distance, as sharply as the round map does on average.

Peers: two or five pulses at every site and the best mean or the centre of gravity (98 and 245 pulses); as many pulses as ours,
at sites drawn anew, and the same. Printed: median and 90th percentile of the distance, share within 0.8 cm, coverage of
the 95 % intervals of x and y, processor time of a suggestion, and the way the coil travels.
"""

from __future__ import annotations

import argparse
import math
import time
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from decussa.estimate import hotspot, map_measures

Values = NDArray[np.float64]
LINE = np.arange(-3.0, 4.0)
GRID = np.stack(np.meshgrid(LINE, LINE, indexing="ij"), axis=-1).reshape(-1, 2)


@dataclass
class Head:
    """A person's map: best point in cm, and sizes at sites in uV."""

    rng: np.random.Generator
    world: str
    best_cm: Values = field(init=False)
    start_cm: Values = field(init=False)
    mood: float = 0.0

    def __post_init__(self) -> None:
        rng = self.rng
        self.best_cm = rng.uniform(-2.5, 2.5, 2)
        near = GRID[np.hypot(*(GRID - self.best_cm).T) <= 3.0]
        self.start_cm = near[rng.integers(len(near))]
        self.width_cm, self.scatter = rng.uniform(1.0, 2.0), rng.uniform(0.5, 0.8)
        self.peak_uv = math.exp(rng.uniform(math.log(300), math.log(3000)))
        self.oblong, self.angle = rng.uniform(1.3, 2.0), rng.uniform(0, math.pi)

    def _fall(self, site_cm: Values) -> float:
        away = site_cm - self.best_cm
        if self.world == "cone":
            # the mean of d^2 / 2 over the unit disc of 2 SDs equals that of this slope
            return 0.75 * float(np.hypot(*away)) * 2 / (2 * self.width_cm)
        if self.world == "oblong":
            c, s = math.cos(self.angle), math.sin(self.angle)
            along, across = c * away[0] + s * away[1], -s * away[0] + c * away[1]
            stretch = math.sqrt(self.oblong)
            return float((along / stretch) ** 2 + (across * stretch) ** 2) / (2 * self.width_cm**2)
        return float(away @ away) / (2 * self.width_cm**2)

    def pulse(self, site_cm: Values) -> float:
        """Return the raw peak-to-peak size at a site."""
        rng = self.rng
        hard = self.world == "oblong"
        shock = rng.standard_t(4) / math.sqrt(2) if hard else rng.standard_normal()
        if hard:
            kept = math.exp(-1 / 20)
            self.mood = kept * self.mood + 0.3 * math.sqrt(1 - kept**2) * rng.standard_normal()
        log_size = math.log(self.peak_uv) - self._fall(site_cm) + self.mood
        if hard:
            log_size -= math.log1p(math.exp(log_size) / (2 * self.peak_uv))
        size = math.exp(log_size + self.scatter * shock)
        if hard and rng.random() < 0.02:
            size = 0.0
        return size + 15 * math.exp(0.15 * rng.standard_normal())


@dataclass(frozen=True)
class Found:
    """Best point in cm, whether the intervals of x and y held the truth, way in cm, seconds a suggestion took."""

    best_cm: Values
    held: float = math.nan
    way_cm: float = math.nan
    seconds: float = math.nan


def ours(pulses: int) -> Callable[[Head], Found]:
    def search(head: Head) -> Found:
        state = hotspot.start(grid_cm=GRID, start_cm=(float(head.start_cm[0]), float(head.start_cm[1])))
        here, way, spent = head.start_cm, 0.0, 0.0
        for _ in range(pulses):
            since = time.process_time()
            site = np.array(hotspot.suggest(state))
            spent += time.process_time() - since
            way += float(np.hypot(*(site - here)))
            here = site
            state = hotspot.learn(state, (float(site[0]), float(site[1])), head.pulse(site))
        known = hotspot.summary(state)
        held = sum(e.low <= t <= e.high for e, t in zip((known.x, known.y), head.best_cm, strict=True)) / 2
        return Found(np.array([known.x.value, known.y.value]), held, way, spent / pulses)

    return search


def every_site(each: int, *, gravity: bool) -> Callable[[Head], Found]:
    def search(head: Head) -> Found:
        means = np.array([np.mean([head.pulse(site) for _ in range(each)]) for site in GRID])
        if gravity:
            return Found(np.array(map_measures.centre_of_gravity(GRID, np.where(means >= 50, means, 0.0))))
        return Found(GRID[int(np.argmax(means))])

    return search


def drawn_sites(pulses: int, *, gravity: bool) -> Callable[[Head], Found]:
    def search(head: Head) -> Found:
        sites = GRID[head.rng.choice(len(GRID), pulses, replace=False)]
        sizes = np.array([head.pulse(site) for site in sites])
        if gravity:
            return Found(np.array(map_measures.centre_of_gravity(sites, np.where(sizes >= 50, sizes, 0.0))))
        return Found(sites[int(np.argmax(sizes))])

    return search


def describe(name: str, search: Callable[[Head], Found], world: str, people: int, seed: int) -> str:
    off, held, way, seconds = [], [], [], []
    for child in np.random.SeedSequence(seed).spawn(people):
        head = Head(np.random.default_rng(child), world)
        found = search(head)
        off.append(float(np.hypot(*(found.best_cm - head.best_cm))))
        held.append(found.held)
        way.append(found.way_cm)
        seconds.append(found.seconds)
    distance = np.where(np.isnan(off), 9.0, off)
    return (
        f"  {name:36s}{np.median(distance):7.2f}{np.quantile(distance, 0.9):7.2f}{100 * np.mean(distance <= 0.8):8.1f}"
        f"{100 * np.mean(held):8.1f}{np.mean(way):8.0f}{1e3 * np.median(seconds):9.2f}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--people", type=int, default=500)
    parser.add_argument("--seed", type=int, default=int(time.time()))
    parser.add_argument("--worlds", default="round,oblong,cone")
    parser.add_argument("--only", default="", help="run only what is named so or begins so: ours")
    options = parser.parse_args()
    print(f"{options.people} people, seed {options.seed}")
    contenders = {
        "ours, 15 pulses": ours(15),
        "ours, 30 pulses": ours(30),
        "2 a site (98 pulses), best mean": every_site(2, gravity=False),
        "2 a site (98 pulses), gravity": every_site(2, gravity=True),
        "5 a site (245 pulses), best mean": every_site(5, gravity=False),
        "30 sites drawn, largest": drawn_sites(30, gravity=False),
        "30 sites drawn, gravity": drawn_sites(30, gravity=True),
    }
    for world in options.worlds.split(","):
        print(f"\nWorld: {world}\n  {'':36s} median 90 %   in 0.8  cover %  way cm  ms next")
        for name, search in contenders.items():
            if not name.startswith(options.only):
                continue
            print(describe(name, search, world, options.people, options.seed), flush=True)


if __name__ == "__main__":
    main()
