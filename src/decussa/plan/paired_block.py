"""Paired pulses: test pulses alone and pairs, interleaved in small balanced blocks."""

from __future__ import annotations

from decussa.model.dialogue import Plan
from decussa.model.stimulus import Stimulus
from decussa.plan.blocks import Condition, give_block, impossible
from decussa.plan.frame import Frame
from decussa.protocol.order import mixed_order
from decussa.protocol.steps import PairedBlock

TEST_ALONE = "test alone"


def give_paired_block(frame: Frame, step: PairedBlock) -> Plan:
    """Give every condition ``step.trials`` times; the first trial is a test pulse alone.

    A condition whose test intensity differs from the block's gets test pulses alone of its own, so that every ratio has its
    unconditioned trials in the same block. Conditions that do not fit under the ceiling are left out, and said.
    """
    if refused := impossible(frame, [step.test]):
        yield from frame.show(text=" ".join(refused))
        return {}
    conditions = {TEST_ALONE: Stimulus.single(frame.setting(step.test))}
    for condition in step.conditions:
        if refused := impossible(frame, [condition.conditioning, condition.test]):
            yield from frame.show(text=" ".join(refused))
            continue
        if condition.test != step.test:
            conditions[f"{TEST_ALONE}, {condition.test}"] = Stimulus.single(frame.setting(condition.test))
        conditions[condition.name] = Stimulus.paired(
            frame.setting(condition.conditioning), frame.setting(condition.test), condition.isi_ms
        )
    names = mixed_order(list(conditions), step.trials, seed=frame.seed, first=TEST_ALONE)
    order = [[Condition(name, conditions[name]) for name in small] for small in names]
    yield from give_block(frame, order, contraction_pct=step.contraction_pct, why="Paired block, conditions mixed.")
    return {}
