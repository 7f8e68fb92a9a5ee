"""Blocks of trials at intensities that are already known: single pulses, recruitment curve, silent period."""

from __future__ import annotations

import math
from collections.abc import Callable, Generator, Sequence
from dataclasses import dataclass

from decussa.model.dialogue import Plan, Refused, Reply, Request, Trial
from decussa.model.stimulus import Stimulus
from decussa.plan.frame import Frame, usable
from decussa.protocol.feasible import WAYS_OUT, Feasibility
from decussa.protocol.intensity import read_intensity
from decussa.protocol.order import mixed_order
from decussa.protocol.steps import RecruitmentCurve, SilentPeriodBlock, SingleBlock

#: A rejected trial is given again this often, at most, for each small block.
REPEATS = 2
#: Limits that forbid one intensity, not the next stimulus: the condition is left out and the block goes on.
OF_ONE_INTENSITY = frozenset({"ceiling", "rise", "discomfort", "climb"})
#: Condition of every trial of a recruitment curve; the intensity tells them apart.
CURVE = "curve"


@dataclass(frozen=True, slots=True)
class Condition:
    """One condition of a block: its name in tables and the stimulus to give."""

    name: str
    stimulus: Stimulus


#: Whether the usable trials so far, each with the name of its condition, are all that is needed.
Enough = Callable[[Sequence[tuple[str, Trial]]], bool]


def give_block(
    frame: Frame,
    order: Sequence[Sequence[Condition]],
    *,
    contraction_pct: float = 0.0,
    why: str = "",
    enough: Enough = lambda _: False,
) -> Generator[Request, Reply, tuple[Trial, ...]]:
    """Give small blocks in order; rejected and lost trials come again at the end of their small block.

    A condition whose intensity is refused is left out from there on; any other refusal ends the block. After each small block
    ``enough`` is told the usable trials, each with its condition, and may end it. Returns the usable trials.
    """
    kept: list[tuple[str, Trial]] = []
    left_out: set[Condition] = set()
    for small_block in order:
        waiting = list(small_block)
        for _ in range(REPEATS + 1):
            again: list[Condition] = []
            for condition in waiting:
                if condition in left_out:
                    continue
                reply = yield from frame.deliver(
                    condition.stimulus, condition=condition.name, contraction_pct=contraction_pct, why=why
                )
                if isinstance(reply, Trial) and usable(reply):
                    kept.append((condition.name, reply))
                elif not isinstance(reply, Refused):
                    again.append(condition)
                elif reply.limit in OF_ONE_INTENSITY:
                    left_out.add(condition)
                else:
                    return _trials(kept)
            waiting = again
        if enough(kept):
            break
    return _trials(kept)


def _trials(kept: Sequence[tuple[str, Trial]]) -> tuple[Trial, ...]:
    return tuple(trial for _, trial in kept)


def impossible(frame: Frame, texts: Sequence[str]) -> list[str]:
    """Return a sentence for each intensity that is not known or does not fit under the ceiling, and the ways out."""
    sentences = []
    for text in texts:
        asked = read_intensity(text).request(frame.known)
        fit = Feasibility(step=frame.step, text=text, requested_mso=asked, ceiling_mso=frame.limits.ceiling_mso)
        if not fit.possible:
            sentences.append(fit.sentence())
    return [*sentences, f"Ways out: {'; '.join(WAYS_OUT)}."] if sentences else []


def give_single_block(frame: Frame, step: SingleBlock) -> Plan:
    """Single pulses at one intensity."""
    return (yield from _one_intensity(frame, step.intensity, step.trials, step.contraction_pct))


def give_silent_period_block(frame: Frame, step: SilentPeriodBlock) -> Plan:
    """Single pulses during contraction."""
    return (yield from _one_intensity(frame, step.intensity, step.trials, step.contraction_pct))


def _one_intensity(frame: Frame, text: str, trials: int, contraction_pct: float) -> Plan:
    if refused := impossible(frame, [text]):
        yield from frame.show(text=" ".join(refused))
        return {}
    setting = frame.setting(text)
    block = [[Condition(text, Stimulus.single(setting))]] * trials
    yield from give_block(frame, block, contraction_pct=contraction_pct, why=f"{text}: {setting:g} % MSO.")
    return {}


def give_recruitment_curve(frame: Frame, step: RecruitmentCurve) -> Plan:
    """Single pulses at several intensities in mixed order; what does not fit under the ceiling is left out, and said."""
    if refused := impossible(frame, step.intensities):
        yield from frame.show(text=" ".join(refused))
    levels = {text: frame.setting(text) for text in step.intensities}
    possible = [text for text, level in levels.items() if not math.isnan(level) and level <= frame.limits.ceiling_mso]
    if not possible:
        return {}
    names = mixed_order(possible, step.trials, seed=frame.seed)
    order = [[Condition(CURVE, Stimulus.single(levels[name])) for name in small] for small in names]
    yield from give_block(frame, order, contraction_pct=step.contraction_pct, why="Recruitment curve, mixed order.")
    return {}
