"""What the answered stimuli of a running step come to, for the screen: ratios narrowing, means by site, sizes by setting.

Nothing is decided from this; the plan has its own estimators. Trials that were rejected, by the rules or by the operator,
are left out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from decussa.estimate.ratio import ratio
from decussa.model.estimate import Estimate
from decussa.session.live_view import Given, LiveView

#: Shares of the trials of a condition after which its interval is shown beside the present one.
_EARLIER = (0.4, 0.7)


@dataclass(frozen=True, slots=True)
class RatioSoFar:
    """A paired condition against its unconditioned trials: now, and at earlier moments of the block."""

    name: str
    now: Estimate
    earlier: tuple[Estimate, ...]
    n: int


@dataclass(frozen=True, slots=True)
class SizePoint:
    """One response: the setting (% MSO, or mA for a nerve pulse) and its raw peak-to-peak size in µV."""

    at: float
    size_uv: float
    kind: str
    condition: str


@dataclass(frozen=True, slots=True)
class SiteSoFar:
    """A coil site: cm to the right and to the front of the vertex, mean size in µV, number of pulses."""

    site_cm: tuple[float, float]
    mean_uv: float
    n: int


@dataclass(frozen=True, slots=True)
class Evidence:
    """Everything of a step that a screen may draw besides what its plan shows."""

    ratios: tuple[RatioSoFar, ...] = ()
    sizes: tuple[SizePoint, ...] = ()
    sites: tuple[SiteSoFar, ...] = ()


def evidence_of(view: LiveView) -> Evidence:
    """Return what the running step's answered stimuli come to."""
    return Evidence(ratios=_ratios(view.given), sizes=_sizes(view.given), sites=_sites(view.given))


def size_of(given: Given) -> float:
    """Return the target's raw peak-to-peak in µV, NaN where it was not measured."""
    return given.trial.value(given.request.muscle, "amplitude_uv")


def verdict_of(given: Given) -> str:
    """Return what holds for a trial: the operator's word where there is one, else the rules'."""
    return given.said or given.trial.verdict.kind


def _usable(given: Sequence[Given]) -> list[Given]:
    return [one for one in given if verdict_of(one) != "reject" and math.isfinite(size_of(one))]


def _ratios(given: Sequence[Given]) -> tuple[RatioSoFar, ...]:
    usable = [one for one in _usable(given) if one.request.condition != "climb"]
    names = dict.fromkeys(one.request.condition for one in usable if one.request.stimulus.stim_type == "paired")
    return tuple(_ratio(name, usable) for name in names)


def _ratio(name: str, usable: Sequence[Given]) -> RatioSoFar:
    count = sum(one.request.condition == name for one in usable)
    moments = sorted({math.ceil(share * count) for share in _EARLIER} - {count})
    return RatioSoFar(
        name=name,
        now=_ratio_after(name, usable, count),
        earlier=tuple(_ratio_after(name, usable, moment) for moment in moments if moment >= 2),
        n=count,
    )


def _ratio_after(name: str, usable: Sequence[Given], count: int) -> Estimate:
    """Return the ratio as it stood after ``count`` trials of the condition; sizes freed of noise, as in the report."""
    conditioned: list[float] = []
    alone: list[float] = []
    test_mso = next(one.request.stimulus.intensity_mso for one in usable if one.request.condition == name)
    for one in usable:
        size = one.trial.value(one.request.muscle, "size_uv")
        if not math.isfinite(size):
            continue
        if one.request.condition == name and len(conditioned) < count:
            conditioned.append(size)
        elif one.request.stimulus.stim_type == "single" and one.request.stimulus.intensity_mso == test_mso:
            alone.append(size)
        if len(conditioned) == count:
            break
    return ratio(conditioned, alone)


def _sizes(given: Sequence[Given]) -> tuple[SizePoint, ...]:
    return tuple(
        SizePoint(
            at=one.request.stimulus.current_ma
            if one.request.stimulus.stim_type == "nerve"
            else one.request.stimulus.intensity_mso,
            size_uv=size_of(one),
            kind=verdict_of(one),
            condition=one.request.condition,
        )
        for one in given
        if math.isfinite(size_of(one))
    )


def _sites(given: Sequence[Given]) -> tuple[SiteSoFar, ...]:
    by_site: dict[tuple[float, float], list[float]] = {}
    for one in _usable(given):
        if one.request.site_cm is not None:
            by_site.setdefault(one.request.site_cm, []).append(size_of(one))
    return tuple(SiteSoFar(site, sum(sizes) / len(sizes), len(sizes)) for site, sizes in by_site.items())
