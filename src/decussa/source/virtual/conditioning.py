"""What an earlier pulse does to the response to a later one."""

from __future__ import annotations

import math

from decussa.model.stimulus import Stimulus
from decussa.source.virtual.cortex import Pathway


def conditioning_shift(pathway: Pathway, stimulus: Stimulus, cond_reach: float = 1.0) -> float:
    """Return the change of drive that the conditioning pulse brings; 0 without one.

    Weak pulses inhibit at 1 to 6 ms and facilitate at 8 to 30 ms (Kujirai 1993, from memory); strong ones inhibit at 50 to
    200 ms. Each effect has its own course over interval and conditioning intensity.
    """
    if stimulus.stim_type != "paired":
        return 0.0
    isi = stimulus.isi_ms
    share = cond_reach * stimulus.cond_intensity_mso / pathway.threshold_mso
    weak = math.exp(-0.5 * ((share - pathway.anatomy.cond_best) / 0.16) ** 2)
    strong = 1 / (1 + math.exp(-(share - 1.0) / 0.06))
    inhibited = 0.8 * _bell(isi, 1.0, 0.6) + _bell(isi, 2.9, 1.8)
    facilitated = _bell(math.log(isi), math.log(12.0), 0.4)
    long = _bell(math.log(isi), math.log(105.0), 0.42)
    return (
        -pathway.inhibition * weak * min(inhibited, 1.0)
        + pathway.facilitation * weak * facilitated
        - pathway.long_inhibition * strong * long
    )


def _bell(x: float, centre: float, width: float) -> float:
    return math.exp(-0.5 * ((x - centre) / width) ** 2)
