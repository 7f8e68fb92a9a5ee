"""Mixed models against published worked examples and a reference library on the same data."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from decussa.pool.imputing import SizeModel
from decussa.pool.mixed import fit

# Davies 1947, Statistical Methods in Research and Production: yield of dyestuff from six batches of five; data from memory.
DYESTUFF = [
    [1545, 1440, 1440, 1520, 1580], [1540, 1555, 1490, 1560, 1495], [1595, 1550, 1605, 1510, 1560],
    [1445, 1440, 1595, 1465, 1545], [1595, 1630, 1515, 1635, 1625], [1520, 1455, 1450, 1480, 1445],
]  # fmt: skip
# Davies and Goldsmith 1972: strength of paste, ten batches, three casks of each, two tests of each; data from memory.
PASTES = (
    "62.8 62.6 60.1 62.3 62.7 63.1 60.0 61.4 57.5 56.9 61.1 58.9 58.7 57.5 63.9 63.1 65.4 63.7 57.1 56.4 56.9 58.6 64.7 64.5 "
    "55.1 55.1 54.7 54.2 58.8 57.5 63.4 64.9 59.3 58.1 60.5 60.0 62.5 62.6 61.0 58.7 56.9 57.7 59.2 59.4 65.2 66.0 64.8 64.1 "
    "54.8 54.8 64.0 64.0 57.7 56.8 58.3 59.3 59.2 59.2 58.9 56.6"
)
# Yates 1935, Complex experiments: oats, six blocks, three varieties on whole plots, four doses of nitrogen on sub-plots;
# data from memory. Rows are blocks.
OATS = {
    "Victory": [(111, 130, 157, 174), (61, 91, 97, 100), (68, 64, 112, 86),
                (74, 89, 81, 122), (62, 90, 100, 116), (53, 74, 118, 113)],
    "Golden Rain": [(117, 114, 161, 141), (70, 108, 126, 149), (60, 102, 89, 96),
                    (64, 103, 132, 133), (80, 82, 94, 126), (89, 82, 86, 104)],
    "Marvellous": [(105, 140, 118, 156), (96, 124, 121, 144), (89, 129, 132, 124),
                   (70, 89, 104, 117), (63, 70, 109, 99), (97, 99, 119, 121)],
}  # fmt: skip


def pastes() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    return np.array(PASTES.split(), dtype=float), np.repeat(np.arange(10), 6), np.tile(np.repeat([0, 1, 2], 2), 10)


def test_variances_of_dyestuff_are_the_published_ones() -> None:
    # Bates 2010, lme4: Mixed-effects modeling with R, chapter 1, REML fit: 1527.50 (19.38), SDs 42.00 and 49.51, criterion
    # 319.654 (values from memory). One-way and balanced: the mean has 5 degrees of freedom exactly.
    model = fit(np.ravel(DYESTUFF), np.ones((30, 1)), np.repeat(np.arange(6), 5), [np.zeros(30)])
    mean, *_ = SizeModel((model,), 0).contrast([1.0])
    assert mean.value == pytest.approx(1527.5)
    assert math.sqrt(model.covariance[0, 0]) == pytest.approx(19.38, abs=5e-3)
    assert np.sqrt(model.variances) == pytest.approx([42.00, 49.51], abs=5e-3)
    assert model.criterion == pytest.approx(319.654, abs=1e-3)
    assert model.df([1.0]) == pytest.approx(5, abs=1e-6)


def test_variances_of_nested_pastes_are_the_published_ones() -> None:
    # Bates 2010, chapter 2, REML fit: 60.0533 (0.6769), SDs of casks 2.9041, batches 1.2874, residual 0.8234, criterion 246.99
    # (values from memory).
    y, batch, cask = pastes()
    model = fit(y, np.ones((60, 1)), batch, [np.zeros(60), cask])
    assert model.coefficients[0] == pytest.approx(60.0533, abs=5e-5)
    assert math.sqrt(model.covariance[0, 0]) == pytest.approx(0.6769, abs=5e-5)
    assert np.sqrt(model.variances) == pytest.approx([1.2874, 2.9041, 0.8234], abs=1e-4)
    assert model.criterion == pytest.approx(246.99, abs=5e-3)
    assert model.df([1.0]) == pytest.approx(9, abs=1e-4)


def test_oats_give_the_split_plot_analysis_of_yates() -> None:
    # Venables and Ripley 2002, Modern Applied Statistics with S, section 10.2 (values from memory): whole-plot residual mean
    # square 601.3 with 10 degrees of freedom, sub-plot 177.1 with 45, F of nitrogen 37.686.
    rows = [(b, v, n, y) for v, blocks in OATS.items() for b, doses in enumerate(blocks) for n, y in enumerate(doses)]
    block, variety, nitrogen, y = (np.array(column) for column in zip(*rows, strict=True))
    cells = pd.get_dummies(pd.Series(variety) + nitrogen.astype(str)).to_numpy(float)
    model = fit(y, cells, block, [np.zeros(72), variety])
    assert model.variances[2] == pytest.approx(177.1, abs=0.05)
    assert model.variances[2] + 4 * model.variances[1] == pytest.approx(601.3, abs=0.06)
    names = sorted({f"{v}{n}" for _, v, n, _ in rows})
    linear = np.array([(-3, -1, 1, 3)[int(name[-1])] / 3 for name in names])
    between = np.array([1.0 if name.startswith("V") else -1.0 if name.startswith("M") else 0.0 for name in names])
    assert model.df(linear) == pytest.approx(45, abs=1e-3)
    assert model.df(between) == pytest.approx(10, abs=1e-3)
    # The linear part of nitrogen has 19536.4 of the sum of squares 20020.5: contrast 73.67 per hundredweight.
    assert (model.coefficients @ linear) / 10 / 0.2 == pytest.approx(73.67, abs=5e-3)
    t = float(linear @ model.coefficients) / math.sqrt(float(linear @ model.covariance @ linear))
    assert t**2 == pytest.approx(19536.4 / 177.083, rel=1e-4)


def test_a_model_is_that_of_a_reference_library_on_the_same_data() -> None:
    smf = pytest.importorskip("statsmodels.formula.api")
    random = np.random.default_rng(3)
    people, sessions, trials = 12, 2, 9
    person, session, _ = (axis.ravel() for axis in np.indices((people, sessions, trials)))
    kept = random.random(person.size) < 0.85
    person, session = person[kept], session[kept]
    x = random.normal(size=person.size)
    levels = random.normal(0, 0.6, people)[person] + random.normal(0, 0.4, (people, sessions))[person, session]
    y = 1.0 + 0.3 * x + 0.2 * session + levels + random.normal(0, 0.7, person.size)
    ours = fit(y, np.column_stack([np.ones(person.size), x, session]), person, [np.zeros(person.size), session])
    frame = pd.DataFrame({"y": y, "x": x, "session": session, "person": person})
    theirs = smf.mixedlm(
        "y ~ x + session", frame, groups="person", re_formula="1", vc_formula={"session": "0 + C(session)"}
    ).fit(reml=True, method="lbfgs")  # fmt: skip
    assert ours.coefficients == pytest.approx(theirs.fe_params.to_numpy(), abs=2e-4)
    # The library's standard errors come from a second derivative in all parameters, ours from the covariance itself.
    assert np.sqrt(np.diag(ours.covariance)) == pytest.approx(theirs.bse_fe.to_numpy(), rel=5e-3)
    variances = [float(theirs.cov_re.iloc[0, 0]), float(theirs.vcomp[0]), float(theirs.scale)]
    assert ours.variances == pytest.approx(variances, rel=1e-3)
    assert ours.criterion == pytest.approx(-2 * theirs.llf, abs=1e-3)


def test_covariance_and_degrees_of_freedom_are_those_of_the_written_out_matrices() -> None:
    # The formulas themselves with matrices of all observations: (X'V^-1 X)^-1; half the trace of P Vk P Vl; derivatives by
    # finite differences.
    random = np.random.default_rng(9)
    person, session = np.repeat(np.arange(7), 8), np.tile(np.repeat([0, 1], 4), 7)
    kept = random.random(56) < 0.8
    person, session = person[kept], session[kept]
    x = np.column_stack([np.ones(person.size), random.normal(size=person.size), session])
    y = (
        random.normal(0, 1, 7)[person]
        + random.normal(0, 0.5, (7, 2))[person, session]
        + random.normal(0, 0.7, person.size)
    )
    model = fit(y, x, person, [np.zeros(person.size), session])
    same = person[:, None] == person
    parts = [same.astype(float), (same & (session[:, None] == session)).astype(float), np.eye(person.size)]

    def covariance(variances: np.ndarray) -> np.ndarray:
        whole = sum(v * part for v, part in zip(variances, parts, strict=True))
        return np.linalg.inv(x.T @ np.linalg.solve(whole, x))

    assert model.covariance == pytest.approx(covariance(model.variances), rel=1e-8)
    inverse = np.linalg.inv(sum(v * part for v, part in zip(model.variances, parts, strict=True)))
    p = inverse - inverse @ x @ model.covariance @ x.T @ inverse
    information = np.array([[0.5 * np.trace(p @ one @ p @ other) for other in parts] for one in parts])
    assert model.uncertainty == pytest.approx(np.linalg.inv(information), rel=1e-7)
    contrast, step = np.array([0.0, 0.3, 1.0]), 1e-5
    slopes = [
        (contrast @ (covariance(model.variances + step * unit) - covariance(model.variances - step * unit)) @ contrast)
        / (2 * step)
        for unit in np.eye(3)
    ]
    variance = contrast @ model.covariance @ contrast
    expected = 2 * variance**2 / (np.array(slopes) @ np.linalg.inv(information) @ np.array(slopes))
    assert model.df(contrast) == pytest.approx(expected, rel=1e-5)


def test_a_balanced_comparison_within_people_is_the_paired_t_test() -> None:
    # A balanced design with people's own differences as a random term: the t test of scipy is exact.
    random = np.random.default_rng(5)
    people, trials = 8, 6
    person, condition, _ = (axis.ravel() for axis in np.indices((people, 2, trials)))
    y = random.normal(0, 1, people)[person] + random.normal(0, 0.5, (people, 2))[person, condition] + 0.4 * condition
    y = y + random.normal(0, 0.6, y.size)
    model = fit(y, np.eye(2)[condition], person, [np.zeros(y.size), condition])
    means = y.reshape(people, 2, trials).mean(axis=2)
    theirs = stats.ttest_rel(means[:, 1], means[:, 0])
    found, _, _, p = SizeModel((model,), 0).contrast([-1.0, 1.0])
    assert p == pytest.approx(theirs.pvalue, rel=1e-4)
    assert model.df([-1.0, 1.0]) == pytest.approx(people - 1, rel=1e-4)
    span = theirs.confidence_interval(0.95)
    assert (found.low, found.high) == pytest.approx((span.low, span.high), rel=1e-4)
