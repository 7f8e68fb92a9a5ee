"""Reliability and agreement against the papers' own data and a reference library."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from decussa.estimate.agreement import limits_of_agreement
from decussa.estimate.intraclass import FORMS, intraclass, mean_squares, trials_for
from decussa.pool.reliability import (
    bland_altman,
    icc,
    measures,
    minimal_detectable_change,
    standard_error_of_measurement,
    within_subject_variation,
)

# Shrout and Fleiss 1979, doi 10.1037/0033-2909.86.2.420, table 2: six targets by four judges.
SHROUT_FLEISS = np.array(
    [(9, 2, 5, 8), (6, 1, 3, 2), (8, 4, 6, 8), (7, 1, 2, 6), (10, 5, 6, 9), (6, 2, 4, 7)], dtype=float
)
# Bland and Altman 1986, doi 10.1016/S0140-6736(86)90837-8, table 1: peak flow in l/min, two readings of two meters.
LARGE = np.array([
    [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427],
    [490, 397, 512, 401, 470, 611, 415, 431, 638, 429, 420, 633, 275, 492, 165, 372, 421],
], dtype=float)  # fmt: skip
MINI = np.array([
    [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451],
    [525, 415, 508, 444, 500, 625, 460, 390, 642, 432, 420, 605, 227, 467, 268, 370, 443],
], dtype=float)  # fmt: skip


def long(scores: np.ndarray) -> pd.DataFrame:
    return pd.DataFrame(
        [(f"t{row}", f"r{column}", value) for row, line in enumerate(scores) for column, value in enumerate(line)],
        columns=["target", "rater", "score"],
    )


def test_mean_squares_are_those_of_the_paper() -> None:
    # ICC-01: Shrout and Fleiss 1979, table 3, carried on to six digits.
    m = mean_squares(SHROUT_FLEISS)
    assert (m.targets, m.within, m.raters, m.error) == pytest.approx(
        (11.241667, 6.263889, 32.486111, 1.019444), abs=1e-6
    )


def test_the_six_forms_are_those_of_the_paper() -> None:
    # ICC-02 and ICC-03: Shrout and Fleiss 1979, table 4, print .17 .29 .71 .44 .62 .91.
    found = icc(long(SHROUT_FLEISS), "target", "rater", "score").set_index("form")["icc"]
    exact = dict(zip(FORMS, (0.165742, 0.289764, 0.714841, 0.442797, 0.620051, 0.909316), strict=True))
    assert found.to_dict() == pytest.approx(exact, abs=1e-6)


def test_f_and_p_are_those_of_a_reference_library() -> None:
    # ICC-04: pingouin 0.7.0, two-way.
    form = next(one for one in intraclass(SHROUT_FLEISS) if one.form == "ICC(3,1)")
    assert form.f == pytest.approx(11.027248, abs=1e-5)
    assert form.p == pytest.approx(0.000135, abs=1e-6)


@pytest.mark.filterwarnings("ignore::pandas.errors.Pandas4Warning")  # the library's own use of pandas
@pytest.mark.parametrize("seed", [0, 1, 2])
def test_all_forms_and_intervals_are_those_of_a_reference_library(seed: int) -> None:
    pingouin = pytest.importorskip("pingouin")
    random = np.random.default_rng(seed)
    scores = random.normal(0, 1, (15, 1)) + random.normal(0, 0.3, (1, 3)) + random.normal(0, 0.7, (15, 3))
    table = long(scores)
    theirs = pingouin.intraclass_corr(table, "target", "rater", "score")
    ours = icc(table, "target", "rater", "score")
    assert ours["icc"].to_numpy() == pytest.approx(theirs["ICC"].to_numpy(float), abs=1e-9)
    assert ours["p"].to_numpy() == pytest.approx(theirs["pval"].to_numpy(float), abs=1e-9)
    printed = np.array([list(map(float, span)) for span in theirs["CI95"]])
    assert ours[["low", "high"]].to_numpy() == pytest.approx(printed, abs=0.0051)  # the library rounds to two decimals


def test_both_errors_of_measurement_and_the_change_by_their_formulas() -> None:
    # REL-01: root of EMS and 1.96 root 2 times it; SD root(1 - ICC(2,1)) is another quantity (computed from the paper's data).
    found = measures(SHROUT_FLEISS, ("a", "b", "c", "d"), logs=False)
    assert found.sem_consistency.value == pytest.approx(1.009675, abs=1e-5)
    assert found.change.value == pytest.approx(2.798677, abs=1e-5)
    assert found.sem_agreement.value == pytest.approx(2.284164, abs=1e-5)


def test_change_from_spread_and_icc() -> None:
    # REL-02: computed from the formula.
    assert standard_error_of_measurement(10, 0.9) == pytest.approx(3.162278, abs=1e-6)
    assert minimal_detectable_change(10, 0.9) == pytest.approx(8.765386, abs=1e-5)
    assert minimal_detectable_change(10, 0.8) == pytest.approx(12.396128, abs=1e-5)


def test_trials_that_raise_reliability() -> None:
    # REL-03: Spearman 1910, Brown 1910, exact.
    assert trials_for(0.5, 0.8) == pytest.approx(4.0, abs=1e-9)


def test_limits_of_agreement_are_those_of_the_paper() -> None:
    # BA-01 to BA-05: Bland and Altman 1986; the paper's limits are 2 SD, ours 1.96 SD where not asked otherwise.
    usual = bland_altman(LARGE[0], MINI[0])
    assert (usual.bias.value, usual.sd) == pytest.approx((-2.117647, 38.765130), abs=1e-5)
    assert (usual.lower.value, usual.upper.value) == pytest.approx((-78.0973, 73.8620), abs=2e-3)
    assert (usual.bias.low, usual.bias.high) == pytest.approx((-22.0488, 17.8135), abs=1e-3)
    paper = limits_of_agreement(LARGE[0], MINI[0], spreads=2.0)
    assert (paper.lower.value, paper.upper.value) == pytest.approx((-79.6479, 75.4126), abs=1e-3)
    assert (paper.lower.low, paper.lower.high) == pytest.approx((-114.1697, -45.1261), abs=1e-3)


@pytest.mark.parametrize(
    ("readings", "sd", "cvs"),
    [
        # BA-06 and BA-07: recomputed from the paper's data: root mean square, over the mean, from logarithms.
        (LARGE, 15.30667, (3.49956, 3.4176, 3.5646)),
        (MINI, 19.91083, (5.06563, 4.3865, 5.2131)),
    ],
)
def test_within_subject_spread_by_three_formulas(readings: np.ndarray, sd: float, cvs: tuple[float, ...]) -> None:
    assert math.sqrt(mean_squares(readings.T).within) == pytest.approx(sd, abs=1e-4)
    found = within_subject_variation(readings.T)
    assert [one.value for one in found] == pytest.approx(cvs, abs=1e-4)
    assert all(one.low < one.value < one.high for one in found)
