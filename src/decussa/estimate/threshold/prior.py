"""What is known about a threshold before the first pulse."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from decussa.model.errors import UsageError
from decussa.model.estimate import Estimate
from decussa.model.muscle import muscle_and_side

#: Mean and SD of resting thresholds in % MSO, thenar and foot: 48 people, one coil and waveform (Jitsakulchaidej 2022,
#: doi 10.1186/s12883-022-02977-8). Thresholds are skewed across people and normal after taking logs (Wassermann 2002,
#: doi 10.1016/S1388-2457(02)00144-X), hence the log-normal.
HAND_MSO = (47.3, 8.1)
FOOT_MSO = (60.4, 8.7)
#: What other stimulators, coils and waveforms add to the log SD. Common practice, no source.
OTHER_STIMULATOR = 0.2
#: A muscle without a published figure gets the hand's mean, the trunk the foot's, and this log SD. Common practice, no
#: source.
UNPUBLISHED = 0.35
#: Active over resting threshold. Common practice, no source.
ACTIVE_SHARE = 0.8
#: Standard error of a repeated threshold within a person, relative (Shirota 2025, doi 10.1016/j.cnp.2025.12.008).
REPEAT_SD = 0.05
#: A tenth of the prior is spread more widely, so that no person and no change between sessions is unthinkable: log SD
#: for the population, and in multiples of its own SD for an earlier session. Common practice, no source.
BROAD_SHARE, BROAD_SD, BROAD_OVER_OWN = 0.1, 0.6, 3.0

_NORMAL_975 = 1.959963984540054


@dataclass(frozen=True, slots=True)
class Prior:
    """A log-normal belief about the threshold: mean and SD of ln(% MSO), SD of its broad share, and where it is from."""

    ln_mean: float
    ln_sd: float
    broad_sd: float
    origin: str

    def log_density(self, t_mso: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the log density in ln t at each threshold ``t_mso`` (% MSO), up to a constant."""
        away = np.log(t_mso) - self.ln_mean
        close = (1 - BROAD_SHARE) / self.ln_sd * np.exp(-0.5 * (away / self.ln_sd) ** 2)
        broad = BROAD_SHARE / self.broad_sd * np.exp(-0.5 * (away / self.broad_sd) ** 2)
        return np.asarray(np.log(close + broad), dtype=np.float64)


def population_prior(muscle: str | None, *, active: bool) -> Prior:
    """Return what is known about a person never seen before.

    Parameters
    ----------
    muscle : str or None
        Muscle as labs write it, such as ``FDI`` or ``left erector spinae``.
    active : bool
        Whether the muscle is held contracted.
    """
    found = muscle_and_side(muscle)[0] if muscle else None
    region = found.region if found else ""
    mean_mso, sd_mso = FOOT_MSO if region in ("foot", "leg", "trunk") else HAND_MSO
    published_sd = math.sqrt(math.log1p((sd_mso / mean_mso) ** 2))
    published = region in ("hand", "foot")
    ln_sd = math.hypot(published_sd, OTHER_STIMULATOR) if published else UNPUBLISHED
    ln_mean = math.log(mean_mso) - published_sd**2 / 2 + (math.log(ACTIVE_SHARE) if active else 0.0)
    name = found.key if found and found.key else "muscle not named"
    return Prior(ln_mean, ln_sd, BROAD_SD, f"population, {name}")


def earlier_prior(earlier: Estimate) -> Prior:
    """Return what an earlier session of the same person tells: its value, its interval, and what days change.

    Raises
    ------
    UsageError
        If the earlier value is no threshold between 0 and 200 % MSO.
    """
    if not 0 < earlier.value < 200:
        raise UsageError(
            "an earlier threshold must be a number",
            where="prior",
            expected="an Estimate with a value above 0 and below 200 % MSO",
            found=f"{earlier.value:g}",
            do="leave prior out for a person without an earlier threshold",
        )
    width = earlier.high - earlier.low
    own_sd = width / (2 * _NORMAL_975) / earlier.value if math.isfinite(width) and width > 0 else REPEAT_SD
    ln_sd = math.hypot(own_sd, REPEAT_SD)
    origin = f"earlier session, {earlier.value:.1f} % MSO"
    return Prior(math.log(earlier.value), ln_sd, BROAD_OVER_OWN * ln_sd, origin)
