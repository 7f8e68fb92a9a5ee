"""Re-check in mid-session: a few pulses at a known intensity, and what they say about the threshold found before."""

from __future__ import annotations

import math
from collections.abc import Sequence

from decussa.estimate import threshold
from decussa.model.dialogue import Plan, Trial
from decussa.model.estimate import Estimate
from decussa.model.stimulus import Stimulus
from decussa.plan.blocks import Condition, give_block, impossible
from decussa.plan.compare import compare
from decussa.plan.frame import Frame
from decussa.protocol.steps import Recheck


def recheck(frame: Frame, step: Recheck) -> Plan:
    """Give the pulses; finds ``rmt_recheck`` in % MSO, the resting threshold as these pulses alone place it.

    Intensities that follow stay those of the first threshold. What was found before is no prior here: the two may be compared.
    """
    if refused := impossible(frame, [step.intensity]):
        yield from frame.show(text=" ".join(refused))
        return {}
    setting = frame.setting(step.intensity)
    block = [[Condition(step.intensity, Stimulus.single(setting))]] * step.trials
    trials = yield from give_block(frame, block, why=f"Re-check at {step.intensity}: {setting:g} % MSO.")
    now = _threshold(frame, setting, trials)
    if "rmt" not in frame.now:
        return {"rmt_recheck": now}
    yield from frame.show(text=compare("rmt", now, frame.now["rmt"], "before"))
    return {"rmt_recheck": now}


def _threshold(frame: Frame, setting: float, trials: Sequence[Trial]) -> Estimate:
    state = threshold.start(
        muscle=frame.muscle.muscle, criterion_uv=frame.criterion.size_uv, ceiling_mso=frame.limits.ceiling_mso
    )
    for trial in trials:
        size, noise = (trial.value(frame.muscle.label, name) for name in ("amplitude_uv", "noise_uv"))
        if math.isfinite(size) and size > 0:
            state = threshold.learn(
                state, setting, size, noise_uv=noise if noise > 0 and math.isfinite(noise) else None
            )
    known = threshold.summary(state)
    return known if state.n else Estimate(method=known.method, reason="no usable trial")
