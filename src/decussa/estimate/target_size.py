"""Test intensity: the setting whose expected response lies in a range of sizes, usually 0.5 to 1 mV.

Model: around the sought setting ``t`` the ln size rises in a line, ``ln size = ln target + b (s - t)``, with scatter that is
wider the further a pulse lies from ``t``, since the true curve bends; heavy tails (Student t, 4 degrees of freedom). ``t`` and
``b`` are unknown and live on a grid. A size at the noise counts as "at most that".
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.stats import t as student

from decussa.model.errors import UsageError
from decussa.model.estimate import Estimate

FloatArray = NDArray[np.float64]

_SETTINGS = np.arange(10.0, 120.25, 0.25)
_SLOPES = np.array([0.06, 0.09, 0.13, 0.18, 0.25, 0.35])
#: SD of ln size at the sought setting, and what each % MSO away from it adds.
_SCATTER = 0.5
_BEND = 0.03
#: The 1-mV setting lay near 127 % of the resting threshold (67 over 53 % MSO): Silbert 2013, Clin Neurophysiol 124:708.
OVER_THRESHOLD = 1.25


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TargetState:
    """Range of sizes sought, ceiling, and the log posterior over (setting, slope)."""

    low_uv: float
    high_uv: float
    ceiling_mso: float
    log_posterior: FloatArray
    n: int = 0


def start(
    *, low_uv: float = 500, high_uv: float = 1000, threshold_mso: float = math.nan, ceiling_mso: float = 100
) -> TargetState:
    """Begin, from the resting threshold where it is known."""
    if not 0 < low_uv < high_uv:
        raise UsageError(
            "range of sizes cannot be meant", expected="0 < low_uv < high_uv", found=f"{low_uv:g}, {high_uv:g}"
        )
    centre, spread = (65.0, 0.35) if math.isnan(threshold_mso) else (threshold_mso * OVER_THRESHOLD, 0.15)
    prior = -(np.log(_SETTINGS / centre) ** 2) / (2 * spread**2)
    return TargetState(
        low_uv=low_uv,
        high_uv=high_uv,
        ceiling_mso=ceiling_mso,
        log_posterior=np.repeat(prior[:, None], len(_SLOPES), axis=1),
    )


def learn(state: TargetState, intensity_mso: float, amplitude_uv: float, *, noise_uv: float = 30.0) -> TargetState:
    """Take in one response; sizes up to ``noise_uv`` count as "at most that".

    Raises
    ------
    UsageError
        If the amplitude is negative or not finite, or the intensity outside 0 to 100.
    """
    if not math.isfinite(amplitude_uv) or amplitude_uv < 0 or not 0 <= intensity_mso <= 100:
        raise UsageError(
            "response cannot be learnt from",
            expected="a finite size of 0 or more at 0 to 100 % MSO",
            found=f"{amplitude_uv} µV at {intensity_mso}",
        )
    target = math.log(math.sqrt(state.low_uv * state.high_uv))
    away = intensity_mso - _SETTINGS[:, None]
    expected = target + _SLOPES[None, :] * away
    scatter = _SCATTER + _BEND * np.abs(away)
    deviation = (math.log(max(amplitude_uv, noise_uv, 1.0)) - expected) / scatter
    censored = amplitude_uv <= noise_uv
    gained = student.logcdf(deviation, df=4) if censored else student.logpdf(deviation, df=4) - np.log(scatter)
    updated = state.log_posterior + gained
    return replace(state, log_posterior=updated - updated.max(), n=state.n + 1)


def _by_setting(state: TargetState) -> FloatArray:
    weights = np.exp(state.log_posterior - state.log_posterior.max()).sum(axis=1)
    normalised: FloatArray = weights / weights.sum()
    return normalised


def suggest(state: TargetState) -> float:
    """Return the next setting in % MSO: the likeliest one, never above the ceiling."""
    weights = _by_setting(state)
    return float(min(round(float((weights * _SETTINGS).sum())), state.ceiling_mso))


def probability_in_range(state: TargetState) -> float:
    """Return the probability that the expected size at the suggested setting lies in the range."""
    weights = np.exp(state.log_posterior - state.log_posterior.max())
    target = math.log(math.sqrt(state.low_uv * state.high_uv))
    expected = target + _SLOPES[None, :] * (suggest(state) - _SETTINGS[:, None])
    inside = (expected >= math.log(state.low_uv)) & (expected <= math.log(state.high_uv))
    return float(weights[inside].sum() / weights.sum())


def summary(state: TargetState) -> Estimate:
    """Return the setting in % MSO with its interval; the prior's where nothing was learnt."""
    cumulated = np.cumsum(_by_setting(state))
    low, middle, high = (float(_SETTINGS[int(np.searchsorted(cumulated, q))]) for q in (0.025, 0.5, 0.975))
    reason = "" if middle <= state.ceiling_mso else f"most likely above the ceiling of {state.ceiling_mso:g} % MSO"
    method = f"posterior median, local line in ln size, {state.low_uv:g}-{state.high_uv:g} µV"
    return Estimate(value=middle, low=low, high=high, n=state.n, method=method, reason=reason)
