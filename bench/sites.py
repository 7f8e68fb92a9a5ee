"""How often the intervals of pooled comparisons hold the truth, over invented studies of several sites.

    OPENBLAS_NUM_THREADS=1 python bench/sites.py [--studies N] [--sites 5] [--people 20]
        [--trials 20] [--seed S] [--workers W] [--into FILE.csv] [--noise-uv UV]

Each study has sites, people and two sessions of two conditions, made by a model that is none of the estimators' (see
``invented_sites``). Judged are the comparisons of the one mixed model, which speak of the mean of these very sites, and
those of the tables over sites, which speak of sites like these; every kind of question is judged apart. Beside the
package's interval stands the same estimate with the normal quantile (what a Wald interval does). With ``--noise-uv`` sizes
fall below the noise and are censored. Results are kept study by study in ``--into``, so a stopped run goes on. (One thread:
the matrices are small, and threads would wait for each other.) Power: the
share of studies whose p is below 0.05.
"""

from __future__ import annotations

import argparse
import csv
import math
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import stats

from bench.invented_sites import Study, Truth, study
from decussa.pool.comparisons import compare
from decussa.pool.models import fit_muscle
from decussa.pool.sites import site_tables
from decussa.pool.tidy import muscles, with_people

FIELDS = ("study", "scope", "question", "truth", "value", "low", "high", "wald_low", "wald_high", "p")
Z = 1.959963984540054


def ready(made: Study) -> pd.DataFrame:
    """Return the trial table as the package completes it, with group and site."""
    table = made.trials.assign(
        task="",
        run="",
        stim_side="",
        intensity_mso=np.nan,
        contraction_pct=np.nan,
        kept=made.trials["verdict"] != "reject",
        _size_uv=made.trials["size_uv"],
    )
    return with_people(table, made.people)


def judge(
    number: int, seed: int, sites: int, people: int, trials: int, noise_uv: float
) -> list[dict[str, float | str]]:
    """Return every comparison of one study beside its truth, all as logarithms."""
    truth = Truth(noise_uv=noise_uv)
    made = study(truth, np.random.default_rng((seed, number)), sites=sites, people=people, trials=trials)
    (muscle,) = muscles(ready(made))
    rows: list[dict[str, float | str]] = []
    for one in compare(fit_muscle(muscle, seed=number)):
        e = one.estimate
        centre = math.log(e.value)
        rows.append({
            "study": number, "scope": "these sites", "question": one.question, "truth": made.of_these_sites(one.question),
            "value": centre, "low": math.log(e.low), "high": math.log(e.high), "p": one.p,
            "wald_low": centre - Z * one.log_error, "wald_high": centre + Z * one.log_error,
        })  # fmt: skip
    for table in site_tables(muscle, seed=number)[0]:
        mean, error = table.joined.mean, table.joined.error
        p = 2 * float(stats.t.sf(abs(mean.value) / error, mean.n - 1))
        rows.append({
            "study": number, "scope": "sites like these", "question": table.comparison[1],
            "truth": truth.geometric(table.comparison[1]), "value": mean.value, "low": mean.low, "high": mean.high, "p": p,
            "wald_low": mean.value - Z * error, "wald_high": mean.value + Z * error,
        })  # fmt: skip
    return rows


def results(options: argparse.Namespace, done: set[int]) -> Iterator[list[dict[str, float | str]]]:
    todo = [number for number in range(options.studies) if number not in done]
    fixed = (options.seed, options.sites, options.people, options.trials, options.noise_uv)
    if options.workers == 1:
        yield from (judge(number, *fixed) for number in todo)
        return
    with ProcessPoolExecutor(options.workers) as pool:
        for finished in as_completed([pool.submit(judge, number, *fixed) for number in todo]):
            yield finished.result()


def describe(rows: pd.DataFrame) -> str:
    """Return bias, coverage and power for every scope and question."""
    heads = ("truth", 8), ("bias", 9), ("(se)", 8), ("covers %", 10), ("(se)", 6), ("Wald %", 8), ("p<.05 %", 9)
    lines = [f"  {'scope':18s}{'question':20s}" + "".join(f"{name:>{width}s}" for name, width in heads)]
    for (scope, question), own in rows.groupby(["scope", "question"]):
        n = len(own)
        off = own["value"] - own["truth"]
        held = 100 * ((own["low"] <= own["truth"]) & (own["truth"] <= own["high"])).mean()
        wald = 100 * ((own["wald_low"] <= own["truth"]) & (own["truth"] <= own["wald_high"])).mean()
        error = 100 * math.sqrt(0.95 * 0.05 / n)
        lines.append(
            f"  {scope:18s}{question:20s}{own['truth'].mean():8.4f}{off.mean():9.4f}{off.std() / math.sqrt(n):8.4f}"
            f"{held:10.1f}{error:6.1f}{wald:8.1f}{100 * (own['p'] < 0.05).mean():9.1f}"
        )  # fmt: skip
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--studies", type=int, default=2000)
    parser.add_argument("--sites", type=int, default=5)
    parser.add_argument("--people", type=int, default=20, help="at each site")
    parser.add_argument("--trials", type=int, default=20, help="of each condition and session")
    parser.add_argument(
        "--noise-uv", type=float, default=0.0, help="peak-to-peak of the noise; 0: not known, none censored"
    )
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--into", type=Path, default=Path("sites.csv"))
    options = parser.parse_args()
    known = pd.read_csv(options.into) if options.into.exists() else pd.DataFrame(columns=FIELDS)
    with options.into.open("a", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, FIELDS)
        if known.empty:
            writer.writeheader()
        for rows in results(options, set(known["study"])):
            writer.writerows(rows)
            file.flush()
    rows = pd.read_csv(options.into)
    print(
        f"{rows['study'].nunique()} studies, {options.sites} sites x {options.people} people x 2 sessions, seed {options.seed}"
    )
    print(describe(rows))


if __name__ == "__main__":
    main()
