"""How many trials are enough, from a lab's own trials: what lies between people, between sessions, and between trials.

The spread of log sizes of one condition is split by a mixed model. Trials average away only the last part: beyond the
number at which that part no longer matters, more sessions help and more trials do not. Intervals are generalised ones
(Weerahandi 1993, doi 10.1080/01621459.1993.10476355): mean squares drawn from their chi squared distributions, for the
harmonic mean of the numbers of trials where these differ.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from decussa.estimate.average import lag_one_autocorrelation
from decussa.model.estimate import Estimate
from decussa.pool.imputing import fit_sizes
from decussa.pool.tidy import Muscle

Values = NDArray[np.float64]

LEVEL = 0.95
DRAWS, SEED = 20_000, 0
#: Half-widths, as factors, of the interval of a session's geometric mean for which trials are counted.
FACTORS = (1.2, 1.3, 1.5)
#: Reliabilities of a session's mean for which trials are counted.
RELIABILITIES = (0.75, 0.9)
#: Share of the variance between sessions up to which trials still matter.
TRIAL_SHARE = 0.1
FEWEST_PEOPLE = 3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Enough:
    """One condition of one muscle: spreads of log sizes, and trials that follow from them (infinite: no number is enough).

    ``person_sd``, ``session_sd``, ``trial_sd``: standard deviations of logarithms; ``precision``: trials for a session's
    geometric mean to be known within each of ``FACTORS`` (95 %); ``reliability``: of one session's mean of ``trials``
    (harmonic mean), and ``ceiling`` of endless trials; ``for_reliability``: trials for each of ``RELIABILITIES``;
    ``no_gain``: trials beyond which less than a tenth of what sessions differ by comes from trials. Without repeated
    sessions, what needs them is NaN with a reason. ``serial``: correlation of a trial with the next; where positive,
    neighbours tell less than independent trials would, and ``note`` says by how much.
    """

    muscle: str
    condition: str
    people: int
    sessions: int
    trials: float
    person_sd: Estimate
    session_sd: Estimate
    trial_sd: Estimate
    precision: tuple[tuple[float, Estimate], ...]
    reliability: Estimate
    ceiling: Estimate
    for_reliability: tuple[tuple[float, Estimate], ...]
    no_gain: Estimate
    serial: float
    note: str


def enough_trials(muscle: Muscle) -> Iterator[Enough]:
    """Yield every condition of a muscle that three participants or more have."""
    for condition, sizes in muscle.sizes.groupby("condition", sort=False):
        own = sizes.reset_index(drop=True)
        sessions = own[["participant", "session"]].drop_duplicates()
        if own["participant"].nunique() >= FEWEST_PEOPLE and len(own) > 2 * len(sessions):
            yield _of(muscle.name, str(condition), own, len(sessions))


def _of(muscle: str, condition: str, sizes: pd.DataFrame, sessions: int) -> Enough:
    people = sizes["participant"].nunique()
    repeated = sessions > people
    cells = pd.get_dummies(sizes["group"] + "\t" + sizes["time"] + "\t" + sizes["site"]).to_numpy(np.float64)
    levels = [np.zeros(len(sizes)), *([sizes["session"].to_numpy()] if repeated else [])]
    model = fit_sizes(sizes["log_size"], sizes["limit"], cells, sizes["participant"].to_numpy(), levels)
    variances = model.variances
    counts = sizes.groupby(["participant", "session"]).size().to_numpy(np.float64)
    m, s = len(counts) / float((1 / counts).sum()), sessions / people
    person, session, trial = (*variances[:-1], variances[-1]) if repeated else (variances[0], math.nan, variances[-1])
    drawn = _drawn((person, session, trial), (m, s), len(sizes) - sessions, sessions - people, people - cells.shape[1])
    method = "mixed model of log sizes (REML), generalised interval"

    def found(value: float, draws: Values) -> Estimate:
        if math.isnan(value):
            return Estimate(n=people, method=method, reason="no participant has two sessions")
        low, high = np.quantile(draws, [0.5 - LEVEL / 2, 0.5 + LEVEL / 2], method="nearest")
        return Estimate(value=float(value), low=float(low), high=float(high), level=LEVEL, n=people, method=method)

    parts = (np.array([person]), np.array([session]), np.array([trial]))
    t = _t_factor(m)
    serial = _serial(sizes, model.first.residuals)
    return Enough(
        muscle=muscle, condition=condition, people=people, sessions=sessions, trials=m,
        person_sd=found(math.sqrt(person), np.sqrt(drawn[0])), session_sd=found(math.sqrt(session), np.sqrt(drawn[1])),
        trial_sd=found(math.sqrt(trial), np.sqrt(drawn[2])),
        precision=tuple((f, found(*_precise(trial, drawn[2], t, f))) for f in FACTORS),
        reliability=found(float(_reliability(parts, m)[0]), _reliability(drawn, m)),
        ceiling=found(float(_reliability(parts, math.inf)[0]), _reliability(drawn, math.inf)),
        for_reliability=tuple((r, found(float(_needed(parts, r)[0]), _needed(drawn, r))) for r in RELIABILITIES),
        no_gain=found(float(_no_gain(parts)[0]), _no_gain(drawn)),
        serial=serial, note=_note(serial),
    )  # fmt: skip


def _drawn(
    parts: tuple[float, float, float], numbers: tuple[float, float], trial_df: int, session_df: int, person_df: int
) -> tuple[Values, Values, Values]:
    """Return draws of the three variances, those of people and sessions at least 0."""
    person, session, trial = parts
    m, s = numbers
    random = np.random.default_rng(SEED)
    trials = trial_df * trial / random.chisquare(trial_df, DRAWS)
    if math.isnan(session) or session_df < 1:
        above = max(person_df, 1) * (trial + m * person) / random.chisquare(max(person_df, 1), DRAWS)
        return np.maximum((above - trials) / m, 0.0), np.full(DRAWS, math.nan), trials
    middle = session_df * (trial + m * session) / random.chisquare(session_df, DRAWS)
    above = max(person_df, 1) * (trial + m * session + m * s * person) / random.chisquare(max(person_df, 1), DRAWS)
    return np.maximum((above - middle) / (m * s), 0.0), np.maximum((middle - trials) / m, 0.0), trials


def _precise(trial: float, drawn: Values, t: float, factor: float) -> tuple[float, Values]:
    """Return the trials that keep a session's mean within the factor, and their draws."""
    each = t / math.log(factor) ** 2
    return math.ceil(each * trial), np.ceil(each * drawn)


def _t_factor(trials: float) -> float:
    """Return the squared quantile for a mean of about this many trials."""
    return float(stats.t.ppf(0.5 + LEVEL / 2, max(trials - 1, 2))) ** 2


def _reliability(parts: tuple[Values, Values, Values], trials: float) -> Values:
    person, session, trial = parts
    total = person + session + trial / trials
    return np.divide(person, total, out=np.zeros_like(total), where=total > 0)


def _needed(parts: tuple[Values, Values, Values], wanted: float) -> Values:
    """Return the trials at which a session's mean has this reliability; infinite where sessions differ too much."""
    person, session, trial = parts
    room = (1 - wanted) / wanted * person - session
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(np.isnan(room), math.nan, np.where(room > 0, np.ceil(trial / room), math.inf))


def _no_gain(parts: tuple[Values, Values, Values]) -> Values:
    _, session, trial = parts
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.ceil((1 - TRIAL_SHARE) / TRIAL_SHARE * trial / session))


def _serial(sizes: pd.DataFrame, residuals: Values) -> float:
    """Return the mean correlation of a trial's residual with the next one's of the same condition in its block."""
    frame = sizes.assign(residual=residuals).sort_values("order", kind="stable")
    blocks = [own["residual"].to_numpy() for _, own in frame.groupby(["participant", "block"]) if len(own) > 3]
    each = [(len(own), lag_one_autocorrelation(own)) for own in blocks]
    # A short series' correlation is biased by about -1/n (Marriott and Pope 1954, from memory).
    values = [(n, r + 1 / n) for n, r in each if math.isfinite(r)]
    return float(np.average([r for _, r in values], weights=[n for n, _ in values])) if values else math.nan


def _note(serial: float) -> str:
    if not serial > 0.1:
        return ""
    factor = (1 + serial) / (1 - serial)
    return f"neighbouring trials resemble each other (correlation {serial:.2f}): take about {factor:.1f} times as many"
