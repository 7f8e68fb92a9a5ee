"""What a rater's window gets of a muscle: sweeps as one block of bytes, facts of each, and nothing that is hidden from them.

A blind rater's order is shuffled by the layer's seed: each sweep is known by a token made of the seed and its entry, and the
sweeps stand in the order of their tokens. Conditions, intensities, sizes, numbers, times and what other raters said are not
sent at all, every sweep is scaled to its own response, and the artifacts of pairs of short interval are left out of all.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from decussa.compose.review_traces import Shown, Trace
from decussa.compose.reviewing import ReviewRoom
from decussa.compose.stored import search_steps
from decussa.model.errors import RecordingError
from decussa.model.muscle import Window
from decussa.model.sweep import SamplesUv, Sweep
from decussa.protocol.schema import Protocol
from decussa.session.review import Layer

#: A response is drawn at full height only if it is this many times what noise alone would give: noise is not blown up.
LEAST_OVER_NOISE = 8.0
#: A blind rater does not see the pulses of pairs up to this interval: what is between them is left out of every sweep.
LONGEST_HIDDEN_MS = 30.0
#: Length of an artifact where none was measured, and how much of a sweep before a pulse may belong to it.
ARTIFACT_MS, BEFORE_PULSE_MS = 3.0, 0.5
_NUMBERS = ("background_rms_uv", "latency_low_ms", "latency_high_ms", "silent_low_ms", "silent_high_ms", "response_p")
_SIZES = ("amplitude_uv", "size_uv", "size_low_uv", "size_high_uv")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReviewView:
    """The sweeps of one muscle as a rater sees them.

    ``samples_uv``, shape (n_sweeps, n_samples), are drawn about their baseline; NaN where a sweep is shorter than others.
    For a blind rater they have no unit: each is divided by its own response. ``start_ms`` is the time of the first sample
    from the test pulse, ``step_ms`` the time between two. ``blanks_ms`` are for each sweep the times that are not drawn:
    the artifacts of its pulses.
    """

    muscle: str
    blind: bool
    samples_uv: SamplesUv
    start_ms: float
    step_ms: float
    tokens: tuple[str, ...]
    traces: tuple[Trace, ...]
    blanks_ms: tuple[tuple[Window, ...], ...]

    def place_of(self, token: str) -> int:
        """Return the place of a sweep by its token, -1 where there is none."""
        return self.tokens.index(token) if token in self.tokens else -1


def review_view(room: ReviewRoom, muscle: str, layer: Layer) -> ReviewView:
    """Return what a rater sees of a muscle.

    Raises
    ------
    RecordingError
        If the muscle has no sweep, or sweeps of several sampling rates, which cannot be laid over each other.
    """
    traces = room.of_muscle(muscle)
    if not traces:
        raise RecordingError(
            "no sweep to review",
            where=muscle or room.session,
            expected=", ".join(room.muscles) or "a session with sweeps",
        )
    tokens = [token_of(trace, layer) for trace in traces]
    if layer.blind:
        order = sorted(range(len(traces)), key=tokens.__getitem__)
        traces, tokens = tuple(traces[place] for place in order), [tokens[place] for place in order]
    sweeps = room.sweeps(traces)
    samples, start_ms, step_ms = _stack(sweeps, traces)
    blanks = tuple(_blanks(trace) for trace in traces)
    if layer.blind:
        samples = _normalised(samples, traces)
        hidden = _hidden(traces, blanks)
        first, last = (round((end - start_ms) / step_ms) for end in hidden)
        samples[:, max(first, 0) : last] = np.nan
        blanks = ((hidden,),) * len(traces)
    return ReviewView(
        muscle=muscle,
        blind=layer.blind,
        samples_uv=samples,
        start_ms=start_ms,
        step_ms=step_ms,
        tokens=tuple(tokens),
        traces=traces,
        blanks_ms=blanks,
    )


def token_of(trace: Trace, layer: Layer) -> str:
    """Return the name of a sweep in a rater's window; without the seed it tells nothing."""
    return hashlib.sha256(f"{layer.seed}/{trace.entry}/{trace.muscle}".encode()).hexdigest()[:12]


def _stack(sweeps: Sequence[Sweep], traces: Sequence[Trace]) -> tuple[SamplesUv, float, float]:
    """Return the sweeps on one grid about their baselines, with the time of the first sample and the step."""
    rates = {sweep.rate_hz for sweep in sweeps}
    if len(rates) > 1:
        raise RecordingError(
            "sweeps have several sampling rates", expected="one rate", found=", ".join(f"{rate:g} Hz" for rate in rates)
        )
    step_ms = 1e3 / rates.pop()
    before = max(sweep.onset_sample for sweep in sweeps)
    after = max(sweep.samples_uv.shape[1] - sweep.onset_sample for sweep in sweeps)
    stacked = np.full((len(sweeps), before + after), np.nan, dtype=np.float32)
    for row, (sweep, trace) in enumerate(zip(sweeps, traces, strict=True)):
        samples = sweep.samples_uv[sweep.channels.index(trace.muscle)]
        first_ms = -trace.request.stimulus.isi_ms if trace.request.stimulus.stim_type == "paired" else 0.0
        quiet = samples[: max(sweep.onset_sample + round((first_ms - 1.0) / step_ms), 1)]
        start = before - sweep.onset_sample
        stacked[row, start : start + samples.size] = samples - np.float32(np.mean(quiet, dtype=np.float64))
    return stacked, -before * step_ms, step_ms


def _blanks(trace: Trace) -> tuple[Window, ...]:
    """Return the times of the artifacts, one for each pulse."""
    start, end = (trace.measured.get(name, math.nan) for name in ("artifact_start_ms", "artifact_end_ms"))
    start = min(start, 0.0) - BEFORE_PULSE_MS if math.isfinite(start) else -BEFORE_PULSE_MS
    end = end if math.isfinite(end) else ARTIFACT_MS
    isi = trace.request.stimulus.isi_ms
    test = (start, end)
    return (test,) if math.isnan(isi) else ((start - isi, end - isi), test)


def _hidden(traces: Sequence[Trace], blanks: Sequence[tuple[Window, ...]]) -> Window:
    """Return the time that is left out of every sweep of a blind rater: from the earliest near pulse to the latest end."""
    near = [
        window
        for trace, windows in zip(traces, blanks, strict=True)
        for window in (windows if trace.request.stimulus.isi_ms <= LONGEST_HIDDEN_MS else windows[-1:])
    ]
    return min(start for start, _ in near), max(end for _, end in near)


def _normalised(samples: SamplesUv, traces: Sequence[Trace]) -> SamplesUv:
    """Divide each sweep by its own response, so that no size tells the condition."""
    sizes: NDArray[np.float32] = np.array([_drawn_size(trace) for trace in traces], dtype=np.float32)
    return samples / sizes[:, None]


def _drawn_size(trace: Trace) -> float:
    amplitude, noise = (trace.measured.get(name, math.nan) for name in ("amplitude_uv", "noise_uv"))
    known = [value for value in (amplitude, LEAST_OVER_NOISE * noise) if math.isfinite(value) and value > 0]
    return max(known, default=1.0)


def facts_of(view: ReviewView, place: int, shown: Shown, protocol: Protocol) -> dict[str, Any]:
    """Return what a window shows of one sweep, ready for JSON; only what the rater may know."""
    trace = view.traces[place]
    values = {name: shown.measured.get(name, math.nan) for name in _NUMBERS}
    facts: dict[str, Any] = {
        "id": view.tokens[place],
        "verdict": shown.verdict,
        "reason": shown.reason if shown.changed or not view.blind else "",
        "said": "verdict" in shown.changed,
        "seen": shown.seen,
        "changed": list(shown.changed),
        "marks": _finite(shown.marks),
        "proposed": _finite(shown.proposed),
        "values": _finite(values),
        "blanks": view.blanks_ms[place],
        "limit": _rest_limit(trace, protocol),
    }
    if view.blind:
        return facts
    stimulus = trace.request.stimulus
    searched = trace.request.step in search_steps(protocol)
    return facts | {
        "number": trace.number,
        "condition": trace.request.step if searched else trace.request.condition or trace.request.step,
        "stim": stimulus.stim_type,
        "isi": stimulus.isi_ms if stimulus.stim_type == "paired" else None,
        "setting": _finite({"mso": stimulus.intensity_mso, "ma": stimulus.current_ma}),
        "contraction": trace.request.contraction_pct,
        "sizes": _finite({name: shown.measured.get(name, math.nan) for name in _SIZES}),
    }


def _rest_limit(trace: Trace, protocol: Protocol) -> float | None:
    """Return the limit of the background at rest in µV, None during contraction."""
    if trace.request.contraction_pct > 0:
        return None
    return next((muscle.rest_limit_uv for muscle in protocol.muscles if muscle.label == trace.muscle), 10.0)


def _finite(values: Mapping[str, float]) -> dict[str, float]:
    return {name: float(value) for name, value in values.items() if math.isfinite(value)}


def packed(view: ReviewView, facts: Sequence[Mapping[str, Any]]) -> bytes:
    """Return a view as bytes: length of the head (uint32), head (JSON), float32 samples; all little-endian.

    The head is filled with blanks to a multiple of four, so that the samples can be used where they lie.
    """
    head = json.dumps(
        {
            "count": len(facts),
            "length": view.samples_uv.shape[1],
            "start": view.start_ms,
            "step": view.step_ms,
            "facts": facts,
        }
    ).encode("utf-8")
    head += b" " * (-len(head) % 4)
    return len(head).to_bytes(4, "little") + head + np.ascontiguousarray(view.samples_uv, dtype="<f4").tobytes()
