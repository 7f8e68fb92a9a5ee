"""What a session found, for the results page: every quantity with its interval and its review, and what figures draw."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from decussa.batch.summary import fit_curve
from decussa.compose.review_traces import Trace
from decussa.compose.reviewed_trials import AUTOMATIC, FIRST, choose_layer
from decussa.compose.reviewing import ReviewRoom
from decussa.compose.study_reports import session_tables
from decussa.estimate.average import median
from decussa.model.estimate import Estimate
from decussa.report import words
from decussa.report.content import Condition, MusclePlace, gather, has_curve
from decussa.report.results import Result, lines_of, responses_of, short_method
from decussa.report.sentences import review_sentence, warnings
from decussa.session.live_view import view_of
from decussa.session.review import Layer

#: Points of a drawn curve, and the smoothing of a rectified mean in ms, for the eye alone.
CURVE_POINTS, SMOOTH_MS = 60, 2.0
SILENCE_SPAN_MS = (-60.0, 300.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """One quantity: the estimate in ``unit`` as in the summary, what it is from, how far its trials were reviewed.

    ``earlier`` is the same of the participant's session before, where there is one.
    """

    name: str
    found: Estimate
    unit: str
    origin: str
    review: str
    earlier: Estimate | None = None


@dataclass(frozen=True, slots=True)
class Point:
    """A size in µV at a setting, with its verdict."""

    at: float
    size_uv: float
    verdict: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Curve:
    """A recruitment curve: points, the fitted curve with its band, and the setting of half of its maximum in % MSO."""

    points: tuple[Point, ...]
    at_mso: tuple[float, ...] = ()
    size_uv: tuple[float, ...] = ()
    low_uv: tuple[float, ...] = ()
    high_uv: tuple[float, ...] = ()
    s50: Estimate = field(default_factory=Estimate)
    noise_uv: float = math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class SilenceDrawn:
    """The rectified mean of kept sweeps during contraction, in µV from ``start_ms`` in steps of ``step_ms``, and its marks."""

    mean_uv: tuple[float, ...]
    start_ms: float
    step_ms: float
    blank_ms: tuple[float, float]
    onset: Estimate
    end: Estimate
    duration: Estimate
    contraction_pct: float
    n: int


@dataclass(frozen=True, slots=True, kw_only=True)
class MuscleResults:
    """One muscle: its quantities, and what its figures draw."""

    name: str
    responses: tuple[Result, ...]
    quantities: tuple[Quantity, ...]
    ratios: tuple[tuple[str, Estimate], ...] = ()
    curve: Curve | None = None
    m_waves: tuple[Point, ...] = ()
    silence: SilenceDrawn | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionResults:
    """A session's results with one rater's layer; ``counts`` are stimuli by verdict."""

    rater: str
    review: str
    muscles: tuple[MuscleResults, ...]
    warnings: tuple[str, ...]
    counts: Mapping[str, int]
    stimuli: int
    pulses: int
    minutes: float
    events: int
    began: str


def read_results(room: ReviewRoom, rater: str = FIRST, before: ReviewRoom | None = None) -> SessionResults:
    """Return what a session found.

    Parameters
    ----------
    room : ReviewRoom
        The session.
    rater : str
        Whose verdicts and marks count; the first rater's where omitted, ``automatic`` for none.
    before : ReviewRoom, optional
        The participant's session before, shown beside.

    Raises
    ------
    UsageError
        If nobody reviewed under this code.
    """
    layer = choose_layer(room.layers, rater)
    trials, summary = session_tables(room, layer)
    view = view_of(room.entries)
    verdicts = trials.drop_duplicates("sweep")["verdict"].value_counts()
    content = gather([], trials, summary) if len(trials) else None
    earlier = _earlier(before) if before is not None else {}
    return SessionResults(
        rater=layer.rater if layer else AUTOMATIC,
        review=review_sentence(content.trials) if content else "",
        muscles=tuple(_muscle(room, place, layer, earlier) for place in content.places) if content else (),
        warnings=tuple(warnings(content)[:-1]) if content else (),
        counts={str(kind): int(count) for kind, count in verdicts.items()},
        stimuli=view.stimuli,
        pulses=view.pulses,
        minutes=view.minutes,
        events=sum(entry.kind == "adverse event" for entry in room.entries),
        began=view.began,
    )


def _earlier(before: ReviewRoom) -> dict[tuple[str, str], Estimate]:
    """Return the quantities of the session before, by muscle and name."""
    trials, summary = session_tables(before, choose_layer(before.layers))
    if trials.empty:
        return {}
    places = gather([], trials, summary).places
    return {(place.name, line.name): line.found.estimate for place in places for line in lines_of(place)}


def _muscle(
    room: ReviewRoom, place: MusclePlace, layer: Layer | None, earlier: Mapping[tuple[str, str], Estimate]
) -> MuscleResults:
    return MuscleResults(
        name=place.name,
        responses=tuple(responses_of(place)),
        quantities=tuple(
            Quantity(
                name=line.name,
                found=line.found.estimate,
                unit=line.unit,
                origin=words.in_print(short_method(line.found.estimate.method)),
                review=line.found.review,
                earlier=earlier.get((place.name, line.name)),
            )
            for line in lines_of(place)
        ),
        ratios=tuple(
            (condition.name, found)
            for condition in place.of_type("paired")
            for quantity in words.RATIOS
            if (found := place.estimate(quantity, condition)).method
        ),
        curve=next((_curve(condition) for condition in place.of_type("single") if _is_drawn(condition)), None),
        m_waves=tuple(
            Point(float(row["current_ma"]), float(row["amplitude_uv"]), str(row["verdict"]))
            for condition in place.of_type("nerve")
            for row in condition.trials.to_dict("records")
            if math.isfinite(row["amplitude_uv"])
        ),
        silence=_silence(room, place, layer),
    )


def _is_drawn(condition: Condition) -> bool:
    """Whether a condition has levels for a curve, and was given to have one: searches climb through levels too."""
    return has_curve(condition) and condition.trials.groupby("intensity_mso").size().median() > 2


def _curve(condition: Condition) -> Curve:
    points = tuple(
        Point(float(row["intensity_mso"]), float(row["_size_uv"]), str(row["verdict"]))
        for row in condition.trials.to_dict("records")
        if math.isfinite(row["_size_uv"])
    )
    fitted = fit_curve(condition.kept)
    noise = float(condition.kept["noise_uv"].median())
    if not math.isfinite(fitted.s50.value):
        return Curve(points=points, s50=fitted.s50, noise_uv=noise)
    at = np.linspace(condition.levels[0], condition.levels[-1], CURVE_POINTS)
    low, high = fitted.band(at)
    return Curve(
        points=points,
        at_mso=tuple(at.tolist()),
        size_uv=tuple(fitted.predict(at).tolist()),
        low_uv=tuple(low.tolist()),
        high_uv=tuple(high.tolist()),
        s50=fitted.s50,
        noise_uv=noise,
    )


def _silence(room: ReviewRoom, place: MusclePlace, layer: Layer | None) -> SilenceDrawn | None:
    """Return the silence of the condition of which most kept trials have one; None where none has."""
    active = [c for c in place.of_type("single") if c.active and c.kept["silent_end_ms"].notna().any()]
    if not active:
        return None
    condition = max(active, key=lambda c: int(c.kept["silent_end_ms"].notna().sum()))
    numbers = set(condition.kept["sweep"])
    traces = [trace for trace in room.of_muscle(place.name) if trace.number in numbers]
    if not traces:
        return None
    mean, start_ms, step_ms = _rectified_mean(room, traces)
    shown = [room.shown(trace, layer) for trace in traces]
    ends = [one.measured.get("silent_end_ms", math.nan) for one in shown]
    artifact = [one.measured.get("artifact_end_ms", math.nan) for one in shown]
    return SilenceDrawn(
        mean_uv=tuple(mean.tolist()),
        start_ms=start_ms,
        step_ms=step_ms,
        blank_ms=(-SMOOTH_MS, max((end for end in artifact if math.isfinite(end)), default=3.0) + SMOOTH_MS / 2),
        onset=place.estimate("mep_latency", condition),
        end=median([end for end in ends if math.isfinite(end)]),
        duration=place.estimate("silent_period", condition),
        contraction_pct=condition.contraction_pct,
        n=len(traces),
    )


def _rectified_mean(room: ReviewRoom, traces: Sequence[Trace]) -> tuple[NDArray[np.float64], float, float]:
    sweeps = room.sweeps(traces)
    step_ms = 1e3 / sweeps[0].rate_hz
    before = min([round(-SILENCE_SPAN_MS[0] / step_ms), *(sweep.onset_sample for sweep in sweeps)])
    after = min(
        [round(SILENCE_SPAN_MS[1] / step_ms), *(sweep.samples_uv.shape[1] - sweep.onset_sample for sweep in sweeps)]
    )
    total = np.zeros(before + after)
    for sweep, trace in zip(sweeps, traces, strict=True):
        samples = sweep.samples_uv[sweep.channels.index(trace.muscle)].astype(np.float64)
        cut = samples[sweep.onset_sample - before : sweep.onset_sample + after]
        total += np.abs(cut - np.mean(samples[: sweep.onset_sample - round(1 / step_ms)]))
    width = max(round(SMOOTH_MS / step_ms), 1)
    smooth = np.convolve(total / len(traces), np.full(width, 1 / width), mode="same")
    return smooth, -before * step_ms, step_ms
