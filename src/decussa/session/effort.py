"""A maximal effort as a live signal shows it: the best half second of its EMG, and the torque at rest and at its most. Pure."""

from __future__ import annotations

import math
from dataclasses import dataclass

#: The muscle is at rest where its EMG is below this share of its best, and torque moved where it left rest by so many of rest's
#: standard deviations (common practice, no source).
_REST_SHARE = 0.2
_MOVED = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Effort:
    """What one effort has shown so far, each over half a second; NaN is "not seen yet".

    ``most_uv`` is the best EMG and ``quiet_uv`` the quietest, in µV RMS; ``rest`` and ``rest_sd`` are the torque while it was
    that, ``low`` and ``high`` the ends of the torque, in its own unit.
    """

    most_uv: float = math.nan
    quiet_uv: float = math.nan
    rest: float = math.nan
    rest_sd: float = math.nan
    low: float = math.nan
    high: float = math.nan

    @property
    def most(self) -> float:
        """The torque farthest from rest: pushing and pulling count alike."""
        return self.high if self.high - self.rest >= self.rest - self.low else self.low

    @property
    def has_torque(self) -> bool:
        """Whether rest was seen beside the effort, and the torque left it."""
        return self.quiet_uv <= _REST_SHARE * self.most_uv and abs(self.most - self.rest) > _MOVED * self.rest_sd


def follow_effort(effort: Effort, level_uv: float, torque: float, torque_sd: float) -> Effort:
    """Return the effort once its last half second is known: EMG in µV RMS, mean and standard deviation of the torque."""
    if math.isnan(level_uv):
        return effort
    is_quieter = not effort.quiet_uv <= level_uv
    return Effort(
        most_uv=max(level_uv, _known(effort.most_uv, level_uv)),
        quiet_uv=min(level_uv, _known(effort.quiet_uv, level_uv)),
        rest=torque if is_quieter else effort.rest,
        rest_sd=torque_sd if is_quieter else effort.rest_sd,
        low=min(_known(torque, effort.low), _known(effort.low, torque)),
        high=max(_known(torque, effort.high), _known(effort.high, torque)),
    )


def _known(value: float, other: float) -> float:
    return other if math.isnan(value) else value
