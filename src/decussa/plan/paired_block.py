"""Paired pulses: test pulses alone and pairs, interleaved in small balanced blocks."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from decussa.estimate import ratio_stopping
from decussa.model.dialogue import Plan, Trial
from decussa.model.stimulus import Stimulus
from decussa.plan.blocks import Condition, give_block, impossible
from decussa.plan.frame import Frame
from decussa.protocol.order import mixed_order
from decussa.protocol.steps import PairedBlock

TEST_ALONE = "test alone"


def give_paired_block(frame: Frame, step: PairedBlock) -> Plan:
    """Give every condition ``step.trials`` times, or fewer where the step's rule allows; the first is a test pulse alone.

    A condition whose test intensity differs from the block's gets test pulses alone of its own, so that every ratio has its
    unconditioned trials in the same block. Conditions that do not fit under the ceiling are left out, and said.
    """
    if refused := impossible(frame, [step.test]):
        yield from frame.show(text=" ".join(refused))
        return {}
    conditions = {TEST_ALONE: Stimulus.single(frame.setting(step.test))}
    against: dict[str, str] = {}
    for condition in step.conditions:
        if refused := impossible(frame, [condition.conditioning, condition.test]):
            yield from frame.show(text=" ".join(refused))
            continue
        against[condition.name] = TEST_ALONE
        if condition.test != step.test:
            against[condition.name] = f"{TEST_ALONE}, {condition.test}"
            conditions[against[condition.name]] = Stimulus.single(frame.setting(condition.test))
        conditions[condition.name] = Stimulus.paired(
            frame.setting(condition.conditioning), frame.setting(condition.test), condition.isi_ms
        )
    names = mixed_order(list(conditions), step.trials, seed=frame.seed, first=TEST_ALONE)
    order = [[Condition(name, conditions[name]) for name in small] for small in names]
    yield from give_block(
        frame,
        order,
        contraction_pct=step.contraction_pct,
        why=f"Paired block, conditions mixed{_rule(step)}.",
        enough=lambda kept: _all_narrow(frame, step, against, kept),
    )
    return {}


def _rule(step: PairedBlock) -> str:
    """Return the rule by which the block may end early, empty where there is none."""
    if step.within is None:
        return ""
    return (
        f"; it ends once every ratio is known within a factor of {step.within:g}, after {step.fewest} of each at least"
    )


def _all_narrow(frame: Frame, step: PairedBlock, against: Mapping[str, str], kept: Sequence[tuple[str, Trial]]) -> bool:
    """Return whether the interval of every ratio that has trials is as narrow as the step asks for."""
    if step.within is None:
        return False
    sizes: dict[str, list[float]] = {}
    for name, trial in kept:
        sizes.setdefault(name, []).append(_size_uv(frame, trial))
    shown = [
        ratio_stopping.of_block(
            sizes[name], sizes.get(alone, ()), within=step.within, fewest=step.fewest, most=step.trials
        )
        for name, alone in against.items()
        if name in sizes
    ]
    return bool(shown) and all(map(ratio_stopping.done, shown))


def _size_uv(frame: Frame, trial: Trial) -> float:
    """Return the size the summary takes: freed of noise, or raw where nobody could free it."""
    corrected = frame.value_of(trial, "size_uv")
    return frame.value_of(trial, "amplitude_uv") if math.isnan(corrected) else corrected
