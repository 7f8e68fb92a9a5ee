"""Bayesian hunting: every pulse at the posterior mean of the threshold, its spread taken as known.

After Qi 2011, Brain Stimul 4:50, doi 10.1016/j.brs.2010.06.002, with the response model of maximum-likelihood hunting.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from decussa.estimate.threshold.probit import GRID_MSO, SPREAD, log_likelihood
from decussa.estimate.threshold.pulse import check_intensity, positive, seen
from decussa.model.estimate import Estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """Log posterior over ``GRID_MSO``, and what the next pulse needs."""

    criterion_uv: float
    spread: float
    step_mso: float
    pulses: tuple[tuple[float, bool], ...] = ()
    log_weight: NDArray[np.float64] = field(compare=False, repr=False)

    @property
    def n(self) -> int:
        """Number of pulses so far."""
        return len(self.pulses)


def start(
    *,
    mean_mso: float = 47,
    sd_mso: float = math.inf,
    step_mso: float = 1,
    spread: float = SPREAD,
    criterion_uv: float = 50,
) -> State:
    """Begin with a normal prior, flat where ``sd_mso`` is infinite; ``spread`` is relative to the threshold."""
    if math.isfinite(sd_mso):
        positive("sd_mso", sd_mso, "% MSO")
    return State(
        criterion_uv=positive("criterion_uv", criterion_uv, "uV"),
        spread=positive("spread", spread, "thresholds"),
        step_mso=positive("step_mso", step_mso, "% MSO"),
        log_weight=-0.5 * ((GRID_MSO - mean_mso) / sd_mso) ** 2,
    )


def suggest(state: State) -> float:
    """Return the intensity to give next, % MSO: the posterior mean, rounded half up to the device's step."""
    return min(100.0, math.floor(float(posterior(state) @ GRID_MSO) / state.step_mso + 0.5) * state.step_mso)


def learn(
    state: State, intensity_mso: float, amplitude_uv: float | None = None, *, response: bool | None = None
) -> State:
    """Return the state after a pulse at any intensity: its size in uV, or whether there was a response.

    Raises
    ------
    UsageError
        If the intensity or the outcome cannot be meant.
    """
    intensity_mso = check_intensity(intensity_mso)
    answer = seen(amplitude_uv, response, criterion_uv=state.criterion_uv)
    gained = log_likelihood(GRID_MSO, intensity_mso, response=answer, spread=state.spread)
    return replace(state, pulses=(*state.pulses, (intensity_mso, answer)), log_weight=state.log_weight + gained)


def summary(state: State) -> Estimate:
    """Return the posterior mean, % MSO, with the interval of whole % MSO that leaves out at most 2.5 % on each side."""
    weight = posterior(state)
    cumulative = np.cumsum(weight)
    return Estimate(
        value=float(weight @ GRID_MSO),
        low=float(GRID_MSO[int(np.searchsorted(cumulative, 0.025))]),
        high=float(GRID_MSO[int(np.searchsorted(cumulative, 0.975))]),
        n=state.n,
        method=f"Bayesian hunting, spread {state.spread:g}, {state.criterion_uv:g} uV; posterior mean and quantiles",
        reason="" if state.pulses else "no pulse yet: the prior",
    )


def posterior(state: State) -> NDArray[np.float64]:
    """Return the posterior weights over ``GRID_MSO``; their sum is 1."""
    weight = np.exp(state.log_weight - state.log_weight.max())
    return np.asarray(weight / weight.sum(), dtype=np.float64)
