"""Invented studies over several sites with a known truth: a fixed sample; ``bench/sites.py`` runs thousands."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from bench.invented_sites import Truth, study
from bench.sites import judge, ready
from decussa.batch.trials import complete
from decussa.model.errors import UsageError
from decussa.pool.sites import site_profiles, site_tables
from decussa.pool.tidy import muscles, with_people

STUDIES = 8


@pytest.fixture(scope="module")
def judged() -> pd.DataFrame:
    return pd.DataFrame([row for number in range(STUDIES) for row in judge(number, 11, 3, 8, 8, 0.0)])


def test_estimates_are_unbiased_and_intervals_hold_the_truth(judged: pd.DataFrame) -> None:
    # 96 comparisons, correlated within studies: 5 % of them outside give 5, with luck 1 to 11.
    outside = (judged["truth"] < judged["low"]) | (judged["truth"] > judged["high"])
    assert len(judged) == 12 * STUDIES
    assert outside.sum() <= 11
    for _, own in judged.groupby(["scope", "question"]):
        off = own["value"] - own["truth"]
        assert abs(off.mean()) < 3.5 * off.std() / math.sqrt(len(own))


def test_three_sites_are_judged_with_two_degrees_of_freedom(judged: pd.DataFrame) -> None:
    # Hartung and Knapp 2001, doi 10.1002/sim.791: Student's t with one degree of freedom less than sites.
    over = judged[judged["scope"] == "sites like these"]
    widths = (over["high"] - over["low"]) / (over["wald_high"] - over["wald_low"])
    assert widths.to_numpy() == pytest.approx(stats.t.ppf(0.975, 2) / stats.norm.ppf(0.975), rel=1e-9)


def test_the_bench_hands_over_what_the_package_would_complete() -> None:
    made = study(Truth(noise_uv=20.0), np.random.default_rng(1), sites=2, people=4, trials=4)
    (ours,), (theirs,) = muscles(ready(made)), muscles(with_people(complete(made.trials), made.people))
    pd.testing.assert_frame_equal(ours.sizes, theirs.sizes, check_dtype=False)


def test_sites_that_measured_differently_are_warned_of() -> None:
    made = study(Truth(), np.random.default_rng(1), sites=2, people=4, trials=4)
    table = with_people(complete(made.trials), made.people)
    table["window_start_ms"] = np.where(table["site"] == "site0", 10.0, 15.0)
    described = pd.DataFrame({"site": ["site0", "site1"], "sampling_hz": ["5000", "2000"], "trials": ["many", "few"]})
    profiles, warnings = site_profiles(table, described)
    assert profiles[["site", "participants", "sampling_hz", "profile_trials"]].to_numpy().tolist() == [
        ["site0", 4, "5000", "many"], ["site1", 4, "2000", "few"],
    ]  # fmt: skip
    assert warnings == (
        "FDI: window_start_ms differs between sites, so sizes are not one quantity (site0: 10; site1: 15)",
    )
    with pytest.raises(UsageError, match="site profile"):
        site_profiles(table, described.rename(columns={"site": "place"}))


def test_a_site_of_two_people_is_left_out_and_said() -> None:
    made = study(Truth(), np.random.default_rng(1), sites=3, people=4, trials=4)
    people = made.people[~made.people["participant_id"].isin(["p000", "p001"])]
    trials = made.trials[~made.trials["participant"].isin(["p000", "p001"])]
    (muscle,) = muscles(with_people(complete(trials), people))
    tables, notes = site_tables(muscle)
    assert all([site for site, _ in table.sites] == ["site1", "site2"] for table in tables)
    assert len(notes) == 1
    assert notes[0].startswith("site site0 is not in the tables over sites")
