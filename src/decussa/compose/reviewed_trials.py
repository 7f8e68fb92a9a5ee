"""The trial table of a stored session with a rater's layer in it, and how far two layers agree."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import pandas as pd

from decussa.compose.review_traces import Shown, Trace
from decussa.compose.reviewing import ReviewRoom
from decussa.compose.stored import stored_trials
from decussa.estimate.agreement import (
    LimitsOfAgreement,
    absolute_agreement,
    cross_table,
    kappa,
    limits_of_agreement,
    observed_agreement,
)
from decussa.model.errors import UsageError
from decussa.model.estimate import Estimate
from decussa.model.trial import VERDICTS
from decussa.session.review import VERDICT, Layer

#: Choices of a layer that are no rater's code: what was measured, and the rater who began first.
AUTOMATIC, FIRST = "automatic", ""
#: Marks whose agreement is told, with their words.
COMPARED = {"onset_ms": "onset", "end_ms": "end of the response", "silent_end_ms": "end of the silence"}
_WORDS = {
    VERDICT: "verdict",
    "onset_ms": "onset",
    "end_ms": "end",
    "silent_end_ms": "end of the silence",
    "window_start_ms": "window",
    "window_end_ms": "window",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class MarkAgreement:
    """How far two raters agree on one mark, over the traces on which both have it.

    ``moved`` counts those on which one of them, or both, moved it; ``only_first`` and ``only_second`` the traces on which one
    alone has it.
    """

    mark: str
    n: int
    moved: int
    only_first: int
    only_second: int
    icc: Estimate
    limits: LimitsOfAgreement


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """Two raters over the traces that both saw: verdicts as a table (rows the first's), their agreement, and the marks.

    ``blind`` counts for each the traces on which they said everything blind.
    """

    first: str
    second: str
    n: int
    blind: tuple[int, int]
    verdicts: tuple[tuple[int, ...], ...]
    share: Estimate
    kappa: Estimate
    marks: tuple[MarkAgreement, ...]


def choose_layer(layers: Mapping[str, Layer], rater: str = FIRST) -> Layer | None:
    """Return the layer of a rater; of the first one where none is named, None where nobody reviewed or none is wanted.

    Raises
    ------
    UsageError
        If nobody reviewed under this code.
    """
    if rater == AUTOMATIC or (rater == FIRST and not layers):
        return None
    if rater == FIRST:
        return next(iter(layers.values()))
    if rater not in layers:
        raise UsageError(
            "nobody reviewed under this code",
            where="--rater",
            expected=", ".join([*layers, AUTOMATIC]),
            found=repr(rater),
        )
    return layers[rater]


def reviewed_trials(room: ReviewRoom, layer: Layer | None) -> pd.DataFrame:
    """Return the trial table of a session, with what a rater said of the trials they saw; None: as measured."""
    table = stored_trials(room.entries, room.session, room.protocol)
    if layer is None or table.empty:
        return table
    rows = table.to_dict("records")
    for row, trace in zip(rows, room.traces, strict=True):
        if (trace.entry, trace.muscle) in layer.seen:
            row.update(_reviewed_row(trace, room.shown(trace, layer), layer, str(row["method"])))
    return pd.DataFrame(rows, columns=table.columns)


def _reviewed_row(trace: Trace, shown: Shown, layer: Layer, method: str) -> dict[str, object]:
    """Return the cells that a review changes."""
    cells: dict[str, object] = {"reviewed_by": layer.rater}
    if not shown.changed:
        return cells
    cells |= {name: value for name, value in shown.measured.items() if name in trace.measured}
    cells |= {"window_start_ms": shown.marks["window_start_ms"], "window_end_ms": shown.marks["window_end_ms"]}
    if VERDICT in shown.changed:
        was = f"automatic: {trace.verdict.kind}" + (f", {trace.verdict.reason}" if trace.verdict.reason else "")
        cells |= {"verdict": shown.verdict, "rule": "review", "reason": f"{shown.reason or 'said on review'} ({was})"}
    changed = ", ".join(dict.fromkeys(_WORDS[what] for what in shown.changed))
    blind = "" if (trace.entry, trace.muscle) in layer.not_blind else ", blind"
    return {**cells, "method": f"{method}; {changed} by rater {layer.rater}{blind}"}


def review_facts(room: ReviewRoom) -> dict[str, str]:
    """Return what the report tells of a session's review: by rater how much, and of the first two how far they agree."""
    raters = list(room.layers.values())
    facts = {f"review, rater {layer.rater}": layer_words(room, layer) for layer in raters}
    if len(raters) > 1:
        told = [(muscle, agreement(room, raters[0], raters[1], muscle)) for muscle in room.muscles]
        facts |= {
            f"raters {raters[0].rater} and {raters[1].rater}, {muscle}": agreement_words(found)
            for muscle, found in told
        }
    return facts


def layer_words(room: ReviewRoom, layer: Layer) -> str:
    """Return how much a rater saw and changed, and whether blind."""
    everything = sum(trace.has_sweep for trace in room.traces)
    verdicts = sum(VERDICT in changes for changes in layer.changes.values())
    marks = sum(bool(changes.keys() - {VERDICT}) for changes in layer.changes.values())
    eyes = (
        "not blind"
        if not layer.began_blind
        else f"blind, but for {len(layer.not_blind)}"
        if layer.not_blind
        else "blind"
    )
    who = "" if layer.verified else "identity not verified; "
    return (
        f"{who}{eyes}; {len(layer.seen)} of {everything} sweeps seen, {verdicts} verdicts and marks of {marks} changed"
    )


def agreement_words(found: Agreement) -> str:
    """Return how far two raters agree on one muscle, in one line."""
    if not found.n:
        return "no sweep was seen by both"
    parts = [f"{found.n} sweeps seen by both", f"same verdict {_with_interval(found.share, 2)}"]
    parts.append(f"kappa {_with_interval(found.kappa, 2)}")
    for mark in found.marks:
        said = f"{COMPARED[mark.mark]}: ICC(2,1) {_with_interval(mark.icc, 3)}"
        parts.append(f"{said}, difference {_with_interval(mark.limits.bias, 2)} ms in {mark.n}")
    return "; ".join(parts)


def _with_interval(estimate: Estimate, digits: int) -> str:
    if math.isnan(estimate.value):
        return f"not known ({estimate.reason})"
    if math.isnan(estimate.low):
        return f"{estimate.value:.{digits}f}"
    return f"{estimate.value:.{digits}f} [{estimate.low:.{digits}f}, {estimate.high:.{digits}f}]"


def agreement(room: ReviewRoom, first: Layer, second: Layer, muscle: str) -> Agreement:
    """Return how far two raters agree on a muscle, over the traces that both saw."""
    both = [trace for trace in room.of_muscle(muscle) if (trace.entry, trace.muscle) in first.seen & second.seen]
    one, other = ([room.shown(trace, layer) for trace in both] for layer in (first, second))
    table = cross_table([shown.verdict for shown in one], [shown.verdict for shown in other], VERDICTS)
    return Agreement(
        first=first.rater,
        second=second.rater,
        n=len(both),
        blind=(_blindly(both, first), _blindly(both, second)),
        verdicts=tuple(tuple(int(count) for count in row) for row in table),
        share=observed_agreement(table),
        kappa=kappa(table),
        marks=tuple(
            mark
            for name in COMPARED
            if (mark := _mark_agreement(name, one, other)).n or mark.only_first or mark.only_second
        ),
    )


def _blindly(traces: Sequence[Trace], layer: Layer) -> int:
    return sum((trace.entry, trace.muscle) not in layer.not_blind for trace in traces)


def _mark_agreement(name: str, first: Sequence[Shown], second: Sequence[Shown]) -> MarkAgreement:
    pairs = [(one.marks[name], other.marks[name]) for one, other in zip(first, second, strict=True)]
    known = [(one, other) for one, other in pairs if math.isfinite(one) and math.isfinite(other)]
    moved = [name in one.changed or name in other.changed for one, other in zip(first, second, strict=True)]
    return MarkAgreement(
        mark=name,
        n=len(known),
        moved=sum(moved),
        only_first=sum(math.isfinite(one) and math.isnan(other) for one, other in pairs),
        only_second=sum(math.isnan(one) and math.isfinite(other) for one, other in pairs),
        icc=absolute_agreement(known) if known else Estimate(method="ICC(2,1)", reason="no mark by both"),
        limits=limits_of_agreement([one for one, _ in known], [other for _, other in known]),
    )
