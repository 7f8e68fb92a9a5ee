"""A part of a muscle's section, and what all of them share."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from decussa.model.recording import Recording
from decussa.report.content import Condition, MusclePlace
from decussa.report.style import Drawing
from decussa.report.traces import Span

Sides = Sequence[MusclePlace]
Recordings = Mapping[str, Recording]

#: Width of every figure, beside the column of captions.
WIDTH_MM = 136.0
#: What is shown after the end of the window.
AFTER_WINDOW_MS = 15.0


@dataclass(frozen=True, slots=True)
class Block:
    """One part of a muscle's section: its name, facts below it, and a drawing per column, or a sentence in its place."""

    name: str
    under: str
    drawings: tuple[Drawing, ...] = ()
    sentence: str = ""


def window_of(condition: Condition) -> Span:
    """Return the window in ms the trials were measured in; a usual one where the table does not say."""
    start, end = condition.trials["window_start_ms"].median(), condition.trials["window_end_ms"].median()
    return (float(start), float(end)) if math.isfinite(start) and math.isfinite(end) else (10.0, 50.0)
