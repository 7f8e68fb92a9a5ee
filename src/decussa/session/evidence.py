"""What the answered stimuli of a running step come to, for the screen: ratios narrowing, means by site, sizes by setting.

Nothing is decided from this; the plan has its own estimators. Trials that were rejected, by the rules or by the operator,
are left out.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from decussa.estimate.ratio import ratio
from decussa.estimate.ratio_stopping import widened
from decussa.estimate.recruitment import RecruitmentCurve, fit_recruitment
from decussa.model.estimate import Estimate
from decussa.quality.verdict import Limits
from decussa.session.live_view import Given, LiveView

#: Shares of the trials of a condition after which its interval is shown beside the present one.
_EARLIER = (0.4, 0.7)
#: A curve is drawn from so many levels and trials on, at so many intensities.
_CURVE_LEVELS = 4
_CURVE_TRIALS = 12
_CURVE_POINTS = 16


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
class Held:
    """A contraction before one stimulus: background EMG as % of the maximal contraction, NaN where that is not known."""

    level_pct: float
    asked_pct: float
    background_uv: float
    kind: str


@dataclass(frozen=True, slots=True)
class Silence:
    """A silent period in ms, and the verdict of its trial."""

    duration_ms: float
    kind: str


@dataclass(frozen=True, slots=True)
class CurveSoFar:
    """A recruitment curve as it stands: median size and its interval in µV at some intensities in % MSO."""

    at_mso: tuple[float, ...]
    size_uv: tuple[float, ...]
    low_uv: tuple[float, ...]
    high_uv: tuple[float, ...]
    mep_max: Estimate
    s50: Estimate


@dataclass(frozen=True, slots=True)
class Evidence:
    """Everything of a step that a screen may draw besides what its plan shows.

    ``sizes`` are by muscle, the step's own first; ``silences`` are in order; ``band_pct`` is how far a
    contraction may be off, in % of the maximal one; ``efforts`` are maximal contractions in µV RMS.
    """

    ratios: tuple[RatioSoFar, ...] = ()
    sizes: Mapping[str, tuple[SizePoint, ...]] = field(default_factory=dict)
    sites: tuple[SiteSoFar, ...] = ()
    held: tuple[Held, ...] = ()
    band_pct: float = Limits().contraction_band_pct
    silences: tuple[Silence, ...] = ()
    efforts: tuple[float, ...] = ()
    curve: CurveSoFar | None = None


def evidence_of(view: LiveView, *, with_curve: bool, may_stop: bool = False) -> Evidence:
    """Return what the running step's answered stimuli come to.

    ``with_curve`` fits a recruitment curve to them; ``may_stop`` says that the step may end once its ratios are known well
    enough, and gives these the wider interval by which it ends and which is reported.
    """
    sizes = _sizes(view.given)
    return Evidence(
        ratios=_ratios(view.given, may_stop=may_stop),
        sizes=sizes,
        sites=_sites(view.given),
        held=_held(view),
        silences=_silences(view.given),
        efforts=tuple(
            float(value) for ask, value in view.answers if ask.key == "mvc" and isinstance(value, float | int)
        ),
        curve=_curve(next(iter(sizes.values()), ())) if with_curve else None,
    )


def size_of(given: Given) -> float:
    """Return the target's raw peak-to-peak in µV, NaN where it was not measured."""
    return given.trial.value(given.request.muscle, "amplitude_uv")


def verdict_of(given: Given) -> str:
    """Return what holds for a trial: the operator's word where there is one, else the rules'."""
    return given.said or given.trial.verdict.kind


def _usable(given: Sequence[Given]) -> list[Given]:
    return [one for one in given if verdict_of(one) != "reject" and math.isfinite(size_of(one))]


def _ratios(given: Sequence[Given], *, may_stop: bool) -> tuple[RatioSoFar, ...]:
    usable = [one for one in _usable(given) if one.request.condition != "climb"]
    names = dict.fromkeys(one.request.condition for one in usable if one.request.stimulus.stim_type == "paired")
    return tuple(_ratio(name, usable, may_stop=may_stop) for name in names)


def _ratio(name: str, usable: Sequence[Given], *, may_stop: bool) -> RatioSoFar:
    count = sum(one.request.condition == name for one in usable)
    moments = sorted({math.ceil(share * count) for share in _EARLIER} - {count})
    return RatioSoFar(
        name=name,
        now=_ratio_after(name, usable, count, may_stop=may_stop),
        earlier=tuple(_ratio_after(name, usable, moment, may_stop=may_stop) for moment in moments if moment >= 2),
        n=count,
    )


def _ratio_after(name: str, usable: Sequence[Given], count: int, *, may_stop: bool) -> Estimate:
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
    found = ratio(conditioned, alone)
    return widened(found) if may_stop else found


def _sizes(given: Sequence[Given]) -> dict[str, tuple[SizePoint, ...]]:
    if not given:
        return {}
    own = given[-1].request.muscle
    muscles = dict.fromkeys([own, *(muscle for one in given for muscle in one.trial.values)])
    points = {
        muscle: tuple(point for one in given if math.isfinite((point := _point(one, muscle, "amplitude_uv")).size_uv))
        for muscle in muscles
    }
    return {muscle: found for muscle, found in points.items() if found}


def _point(one: Given, muscle: str, value: str) -> SizePoint:
    stimulus = one.request.stimulus
    return SizePoint(
        at=stimulus.current_ma if stimulus.stim_type == "nerve" else stimulus.intensity_mso,
        size_uv=one.trial.value(muscle, value),
        kind=verdict_of(one),
        condition=one.request.condition,
    )


def _silences(given: Sequence[Given]) -> tuple[Silence, ...]:
    held = (one for one in given if one.request.contraction_pct > 0)
    silences = (Silence(one.trial.value(one.request.muscle, "silent_period_ms"), verdict_of(one)) for one in held)
    return tuple(silence for silence in silences if math.isfinite(silence.duration_ms))


def _held(view: LiveView) -> tuple[Held, ...]:
    held = []
    for one in view.given:
        if one.request.contraction_pct > 0:
            background_uv = one.trial.value(one.request.muscle, "background_rms_uv")
            mvc = view.results.get(f"{one.request.muscle}/mvc")
            level = 100 * background_uv / mvc.value if mvc is not None and mvc.value > 0 else math.nan
            held.append(Held(level, one.request.contraction_pct, background_uv, verdict_of(one)))
    return tuple(held)


def _curve(points: Sequence[SizePoint]) -> CurveSoFar | None:
    kept = [point for point in points if point.kind != "reject" and point.condition != "climb"]
    levels = sorted({point.at for point in kept})
    if len(kept) < _CURVE_TRIALS or len(levels) < _CURVE_LEVELS:
        return None
    fitted: RecruitmentCurve = fit_recruitment([point.at for point in kept], [point.size_uv for point in kept])
    if math.isnan(fitted.s50.value):
        return None
    at = np.linspace(levels[0], levels[-1], _CURVE_POINTS)
    low, high = fitted.band(at)
    return CurveSoFar(
        at_mso=tuple(at.tolist()),
        size_uv=tuple(fitted.predict(at).tolist()),
        low_uv=tuple(low.tolist()),
        high_uv=tuple(high.tolist()),
        mep_max=fitted.mep_max,
        s50=fitted.s50,
    )


def _sites(given: Sequence[Given]) -> tuple[SiteSoFar, ...]:
    by_site: dict[tuple[float, float], list[float]] = {}
    for one in _usable(given):
        if one.request.site_cm is not None:
            by_site.setdefault(one.request.site_cm, []).append(size_of(one))
    return tuple(SiteSoFar(site, sum(sizes) / len(sizes), len(sizes)) for site, sizes in by_site.items())
