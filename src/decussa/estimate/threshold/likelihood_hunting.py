"""Maximum-likelihood hunting: every pulse at the most likely threshold so far.

Awiszus 2003, Suppl Clin Neurophysiol 56:13, doi 10.1016/S1567-424X(09)70205-3. Two virtual pulses come first: a
response at 100 % MSO, none at 0 (from memory). Where several thresholds are equally likely, the middle of the tie
counts; without that the first step down would go to 1 % MSO.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from decussa.estimate.threshold.probit import GRID_MSO, SPREAD, log_likelihood
from decussa.estimate.threshold.pulse import check_intensity, positive, seen
from decussa.model.estimate import Estimate

#: Log-likelihoods closer than this count as equal.
TIE = 1e-9
#: Drop of the log-likelihood that bounds a 95 % interval: half the 95 % point of chi-squared with 1 df.
DROP_95 = 1.920729410347062


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """Log-likelihood over ``GRID_MSO``, and what the next pulse needs."""

    criterion_uv: float
    spread: float
    step_mso: float
    first_mso: float
    pulses: tuple[tuple[float, bool], ...] = ()
    log_like: NDArray[np.float64] = field(compare=False, repr=False)

    @property
    def n(self) -> int:
        """Number of pulses so far."""
        return len(self.pulses)


def start(*, first_mso: float = 45, step_mso: float = 1, spread: float = SPREAD, criterion_uv: float = 50) -> State:
    """Begin with a pulse at ``first_mso`` (% MSO); ``spread`` is relative to the threshold."""
    spread = positive("spread", spread, "thresholds")
    virtual = log_likelihood(GRID_MSO, 100, response=True, spread=spread)
    virtual = virtual + log_likelihood(GRID_MSO, 0, response=False, spread=spread)
    return State(
        criterion_uv=positive("criterion_uv", criterion_uv, "uV"),
        spread=spread,
        step_mso=positive("step_mso", step_mso, "% MSO"),
        first_mso=check_intensity(first_mso),
        log_like=virtual,
    )


def suggest(state: State) -> float:
    """Return the intensity to give next, % MSO: the estimate, rounded half up to the device's step."""
    if not state.pulses:
        return state.first_mso
    return min(100.0, math.floor(_most_likely(state) / state.step_mso + 0.5) * state.step_mso)


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
    return replace(state, pulses=(*state.pulses, (intensity_mso, answer)), log_like=state.log_like + gained)


def summary(state: State) -> Estimate:
    """Return the most likely threshold, % MSO, with its likelihood-ratio interval on the grid of whole % MSO."""
    inside = GRID_MSO[state.log_like >= state.log_like.max() - DROP_95]
    return Estimate(
        value=_most_likely(state),
        low=float(inside[0]) if inside[0] > GRID_MSO[0] else -math.inf,
        high=float(inside[-1]) if inside[-1] < GRID_MSO[-1] else math.inf,
        n=state.n,
        method=f"maximum-likelihood hunting, spread {state.spread:g}, {state.criterion_uv:g} uV; likelihood-ratio interval",
        reason="" if state.pulses else "no pulse yet",
    )


def _most_likely(state: State) -> float:
    tied = GRID_MSO[state.log_like >= state.log_like.max() - TIE]
    return float((tied[0] + tied[-1]) / 2)
