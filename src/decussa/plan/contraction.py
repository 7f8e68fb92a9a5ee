"""Maximal voluntary contraction: best of several efforts, with rests between."""

from __future__ import annotations

import math

from decussa.model.dialogue import Ask, Plan
from decussa.model.estimate import Estimate
from decussa.plan.frame import Frame, ask_number, rest
from decussa.protocol.steps import MaximalContraction

#: One more effort is asked for when the two best differ by more than this share (common practice, no source).
_SPREAD = 0.1
_MOST_EXTRA = 2


def find_maximal_contraction(frame: Frame, step: MaximalContraction) -> Plan:
    """Ask for efforts; finds ``mvc`` in µV RMS of the EMG (best effort)."""
    efforts: list[float] = []
    while len(efforts) < step.efforts or (_is_uneven(efforts) and len(efforts) < step.efforts + _MOST_EXTRA):
        if efforts:
            yield from rest(step.rest_s, step=frame.step, why="Rest between maximal efforts.")
        efforts.append(
            (
                yield from ask_number(
                    Ask(
                        key="mvc",
                        text=_question(frame.muscle.label, len(efforts) + 1),
                        kind="number",
                        step=frame.step,
                        default=math.nan,
                        unit="µV RMS",
                        muscle=frame.muscle.label,
                    )
                )
            )
        )
    valid = [effort for effort in efforts if math.isfinite(effort) and effort > 0]
    if not valid:
        return {"mvc": Estimate(n=len(efforts), method="best effort", reason="no effort was read")}
    return {"mvc": Estimate(value=max(valid), n=len(efforts), method="best effort, EMG RMS over half a second")}


def _question(label: str, effort: int) -> str:
    return f"{label}, effort {effort}: as hard as you can for 3 to 5 s. Best half second of EMG?"


def _is_uneven(efforts: list[float]) -> bool:
    valid = sorted((effort for effort in efforts if math.isfinite(effort)), reverse=True)
    return len(valid) >= 2 and valid[1] < valid[0] * (1 - _SPREAD)
