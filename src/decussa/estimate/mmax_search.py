"""Mmax from few nerve pulses: rising current until the plateau is likely, then supramaximal confirmation.

Model: size = Mmax F(i), F(i) = 1 / (1 + exp((i50 - i) / k)), the share of axons that a current recruits, with sizes that
scatter by a few per cent and by the recording's noise. i50, k and the scatter lie on a grid; ln Mmax is then Gaussian and
needs none. The plateau is reached at a current where F is at least 0.95, the published "growth below 5 %"; its probability
is the share of the belief for which that holds. Measured plateaus are rarely truly flat, hence a probability.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr, ndtr

from decussa.model.errors import UsageError
from decussa.model.estimate import Estimate

Floats = NDArray[np.float64]

LEVEL = 0.95
#: Share of Mmax from which a current lies on the plateau (growth below 5 %: common practice, no source).
PLATEAU = 0.95
#: Probability of the plateau at which the current rises no further, and with which it is said to be shown.
SURE = 0.9
#: Scatter of sizes as log SD, and the recording's noise in uV (common practice, no source).
_SCATTERS = np.array([0.02, 0.04, 0.08])
_NOISE_UV = 50.0
#: Half-recruitment currents as shares of the ceiling, and steepness as shares of that current.
_I50_SHARES = np.geomspace(0.02, 3.0, 90)
_STEEPNESS = np.geomspace(0.03, 0.4, 14)
#: Combinations of less than this part of the greatest weight do not move a quantile: all together weigh under 4e-9 of it.
_NEGLIGIBLE = 1e-12


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """Currents that may be given, mA, how the plateau is confirmed, and what was seen."""

    start_ma: float
    step_ma: float
    ceiling_ma: float
    supramaximal: float
    confirm: int
    currents_ma: tuple[float, ...] = ()
    sizes_uv: tuple[float, ...] = ()

    @property
    def n(self) -> int:
        """Number of responses so far."""
        return len(self.currents_ma)


def start(
    *,
    start_ma: float = 5.0,
    step_ma: float = 5.0,
    ceiling_ma: float = 100.0,
    supramaximal: float = 1.2,
    confirm: int = 3,
) -> State:
    """Begin: first current, step and ceiling in mA; confirmation ``confirm`` times at ``supramaximal`` times the plateau's.

    Raises
    ------
    UsageError
        If the currents cannot be meant.
    """
    if not (0 < start_ma <= ceiling_ma and step_ma > 0 and math.isfinite(ceiling_ma)):
        raise UsageError(
            "currents cannot be meant",
            expected="0 < start_ma <= ceiling_ma and step_ma above 0",
            found=f"start {start_ma:g}, step {step_ma:g}, ceiling {ceiling_ma:g} mA",
        )
    if not supramaximal >= 1 or confirm < 1:
        raise UsageError(
            "confirmation cannot be meant",
            expected="1 or more of both",
            found=f"{supramaximal:g} times, {confirm} pulses",
        )
    return State(
        start_ma=start_ma, step_ma=step_ma, ceiling_ma=ceiling_ma, supramaximal=supramaximal, confirm=confirm
    )  # fmt: skip


def learn(state: State, current_ma: float, amplitude_uv: float) -> State:
    """Return the state after one M-wave, peak-to-peak in uV.

    Raises
    ------
    UsageError
        If the size is negative or not finite, or the current not above 0.
    """
    if not (math.isfinite(amplitude_uv) and amplitude_uv >= 0 and math.isfinite(current_ma) and current_ma > 0):
        raise UsageError(
            "M-wave cannot be learnt from",
            expected="a finite size of 0 or more at a current above 0 mA",
            found=f"{amplitude_uv:g} uV at {current_ma:g} mA",
        )
    return replace(
        state,
        currents_ma=(*state.currents_ma, float(current_ma)),
        sizes_uv=(*state.sizes_uv, float(amplitude_uv)),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Belief:
    """Weight of each combination, shape (n,); its i50 and k in mA; mean and SD of ln Mmax given it."""

    weight: Floats
    i50: Floats
    k: Floats
    mean: Floats
    sd: Floats


@lru_cache(maxsize=2)
def _belief(state: State) -> _Belief:
    """Return the belief; a state is asked several questions in a row."""
    i50, steepness, scatter = (
        axis.ravel() for axis in np.meshgrid(state.ceiling_ma * _I50_SHARES, _STEEPNESS, _SCATTERS, indexing="ij")
    )
    k = steepness * i50
    currents, sizes = np.array(state.currents_ma), np.array(state.sizes_uv)
    log_share = -np.logaddexp(0.0, (i50[:, None] - currents) / k[:, None])
    seen = np.log(np.maximum(sizes, _NOISE_UV))
    sd = np.hypot(scatter[:, None], _NOISE_UV / np.maximum(sizes, _NOISE_UV))
    # a size at the noise says only that the response is no larger; it leaves ln Mmax alone and weighs what follows
    measured = sizes > 2 * _NOISE_UV
    precision = np.where(measured, sd**-2.0, 0.0)
    total = precision.sum(axis=1) + 1e-4
    mean = (precision * (seen - log_share)).sum(axis=1) / total
    off = seen - log_share - mean[:, None]
    fit = -0.5 * (precision * off**2).sum(axis=1) - np.where(measured, np.log(sd), 0.0).sum(axis=1)
    silent = log_ndtr((math.log(2 * _NOISE_UV) - mean[:, None] - log_share) / 0.3)
    log_weight = fit - 0.5 * np.log(total) + np.where(measured, 0.0, silent).sum(axis=1)
    weight = np.exp(log_weight - log_weight.max())
    return _Belief(weight / weight.sum(), i50, k, mean, total**-0.5)


def plateau_probability(state: State, current_ma: float) -> float:
    """Return the probability that a current (mA) recruits at least 95 % of Mmax; 0 before any response."""
    return _on_plateau(_belief(state), current_ma) if _answered(state) else 0.0


def _on_plateau(known: _Belief, current_ma: float) -> float:
    """Return the weight of the combinations of which the current recruits at least ``PLATEAU``."""
    # F >= PLATEAU where (i - i50) / k >= ln(PLATEAU / (1 - PLATEAU))
    return float(known.weight[current_ma - known.i50 >= known.k * math.log(PLATEAU / (1 - PLATEAU))].sum())


def _answered(state: State) -> bool:
    return any(size > 2 * _NOISE_UV for size in state.sizes_uv)


def _plateau_start_ma(state: State) -> float:
    """Return the lowest current given that lies on the plateau with sufficient probability; NaN if none does."""
    if not _answered(state):
        return math.nan
    known = _belief(state)
    return next((i for i in sorted(set(state.currents_ma)) if _on_plateau(known, i) >= SURE), math.nan)


def _confirming_ma(state: State) -> float:
    """Return the supramaximal current, mA, not above the ceiling; NaN while the plateau is not likely."""
    return min(state.supramaximal * _plateau_start_ma(state), state.ceiling_ma)


def on_plateau(state: State) -> bool:
    """Return whether a current that was given lies on the plateau in all likelihood: what follows confirms it."""
    return not math.isnan(_plateau_start_ma(state))


def suggest(state: State) -> float:
    """Return the next current, mA: one step up while the plateau is not likely, else the supramaximal one."""
    if not state.currents_ma:
        return state.start_ma
    confirming = _confirming_ma(state)
    if not math.isnan(confirming):
        return round(confirming, 1)
    return min(max(state.currents_ma) + state.step_ma, state.ceiling_ma)


def done(state: State) -> bool:
    """Return whether the plateau is confirmed, or the ceiling was given as often as a confirmation asks for."""
    confirming = _confirming_ma(state)
    if math.isnan(confirming):
        return sum(current >= state.ceiling_ma for current in state.currents_ma) >= state.confirm
    return sum(current >= confirming - 0.051 for current in state.currents_ma) >= state.confirm


def summary(state: State) -> Estimate:
    """Return Mmax in uV: posterior median and central 95 % interval.

    Where the plateau was not shown ``reason`` says so and the interval is open above: how a curve goes on beyond what was seen
    is its shape's secret, which the model presumes. It then reaches down to the largest response.
    """
    method = "Mmax, posterior median of a recruitment curve in current"
    if not _answered(state):
        highest = f" up to {max(state.currents_ma):g} mA" if state.currents_ma else ""
        return Estimate(n=state.n, method=method, reason=f"no M-wave{highest}")
    known = _belief(state)
    low, value, high = (_quantile(known, q) for q in ((1 - LEVEL) / 2, 0.5, (1 + LEVEL) / 2))
    highest_ma = max(state.currents_ma)
    probability = _on_plateau(known, highest_ma)
    reason = ""
    if probability < SURE:
        reason = f"plateau at {highest_ma:g} mA has a probability of {probability:.2f} only: Mmax may be larger"
        low, high = min(low, max(state.sizes_uv)), math.inf
    return Estimate(value=value, low=low, high=high, n=state.n, method=method, reason=reason)


def _quantile(known: _Belief, share: float) -> float:
    """Return a quantile of Mmax, uV, by halving on the mixture's distribution."""
    kept = known.weight > _NEGLIGIBLE * known.weight.max()
    weight, mean, sd = known.weight[kept], known.mean[kept], known.sd[kept]
    low, high = float((mean - 8 * sd).min()), float((mean + 8 * sd).max())
    for _ in range(60):
        middle = 0.5 * (low + high)
        if float(weight @ ndtr((middle - mean) / sd)) < share:
            low = middle
        else:
            high = middle
    return math.exp(0.5 * (low + high))
