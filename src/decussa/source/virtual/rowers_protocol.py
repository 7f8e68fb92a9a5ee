"""What is done to every rower: blocks, order, intensities, and the words a data set uses for them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from decussa.model.stimulus import Stimulus
from decussa.source.virtual.cortex import Pathway
from decussa.source.virtual.session import Planned

Rng = np.random.Generator
#: Stimuli by block, in the order in which they are given.
Blocks = dict[str, list[Planned]]

#: Contraction of the hand and of the lumbar muscles, in % MVC.
PINCH_PCT = 15.0
EXTENSION_PCT = 12.0
#: No response at 50 % MSO makes 50 the base; the test pulse is base + 40 % MSO.
BASE_MSO = 50.0
LUMBAR_MSO = BASE_MSO + 40.0
#: How far above the person's true value the operator's threshold lies: a descending search ends about 1 % high.
SEARCH_BIAS = 1.01

CONDITIONS = {
    "Mmax": "Pulse to the ulnar nerve at the wrist: rising currents, then three at 1.8 times the one for half the M-wave",
    "single": "Single pulse: hand 120 % of the resting threshold; lumbar base + 40 % MSO during light extension",
    "curve": "Recruitment curve: 90 to 150 % of the resting threshold in random order",
    "test": "Test pulse alone: hand about 1 mV; lumbar base + 40 % MSO",
    "SICI": "Conditioning pulse 3 ms before the test pulse: hand 75 % of the resting threshold; lumbar base",
    "ICF": "Conditioning pulse before the test pulse: hand 12 ms, 75 % of the resting threshold; lumbar 15 ms, base",
    "LICI": "Two pulses of the test intensity, 100 ms apart",
    "silent": "Single pulse at 120 % of the resting threshold during a pinch at 15 % of maximum",
    "rest": "Single pulse at base + 40 % MSO, lying relaxed",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class TaskWords:
    """What a data set says about one task."""

    task_description: str
    instructions: str
    placement: str
    ground: str


_COIL_HAND = (
    "Figure-of-eight coil over the left hand area, 45 degrees to the midline, "
    "current in the brain from posterior to anterior"
)
_HAND = {
    "placement": (
        "First dorsal interosseous, right: belly and tendon, first electrode over the belly in the first web, "
        "second over the base of the index finger"
    ),
    "ground": "styloid process of the ulna",
}
TASKS = {
    "hand": TaskWords(
        task_description=f"Hand at rest. {_COIL_HAND}. Nerve pulses of 0.2 ms to the ulnar nerve at the wrist.",
        instructions="Keep your hand relaxed and your eyes open.",
        **_HAND,
    ),
    "pinch": TaskWords(
        task_description=f"Pinch of thumb and index finger at 15 % of maximum, held around each pulse. {_COIL_HAND}.",
        instructions="Bring the line to the mark, hold it there, relax when you hear the tone.",
        **_HAND,
    ),
    "lumbar": TaskWords(
        task_description=(
            "Lying prone; first relaxed, then lifting the chest lightly around each pulse. Double-cone coil 1 cm to the "
            "front of the vertex, current in the brain from posterior to anterior, left hemisphere taken as stimulated."
        ),
        instructions="Lift your chest until the line reaches the mark, hold it there, relax when you hear the tone.",
        placement=(
            "Lumbar erector spinae, both sides: 3 cm from the midline at the level of the fourth lumbar vertebra, "
            "along the fibres"
        ),
        ground="iliac crest",
    ),
}


@dataclass(frozen=True, slots=True)
class Strengths:
    """What the operator found for the hand: whole % MSO, and the current in mA for half the M-wave."""

    threshold_mso: float
    test_mso: float
    cond_mso: float
    half_ma: float

    def of_threshold(self, percent: float) -> float:
        """Return ``percent`` of the threshold to the nearest whole % MSO, ties up, 100 at most."""
        return min(_nearest(self.threshold_mso * percent / 100), 100.0)


def find_strengths(hand: Pathway) -> Strengths:
    """Return what an operator would find for a person's hand."""
    threshold = float(math.ceil(SEARCH_BIAS * hand.threshold_mso))
    return Strengths(
        threshold_mso=threshold,
        test_mso=min(_nearest(hand.intensity_for(1_000.0)), 100.0),
        cond_mso=_nearest(0.75 * threshold),
        half_ma=hand.axon_ma,
    )


def _nearest(value: float) -> float:
    return float(math.floor(value + 0.5))


def hand_blocks(found: Strengths, rng: Rng) -> Blocks:
    """Return the blocks of the resting hand: nerve, single pulses, curve, pairs."""
    steps = (0.7, 0.85, 1.0, 1.2, 1.5, 1.8, 1.8, 1.8)
    levels = [found.of_threshold(percent) for percent in (90, 100, 110, 130, 140, 150) for _ in range(4)]
    pairs = {
        "test": Stimulus.single(found.test_mso),
        "SICI": Stimulus.paired(found.cond_mso, found.test_mso, 3.0),
        "ICF": Stimulus.paired(found.cond_mso, found.test_mso, 12.0),
        "LICI": Stimulus.paired(found.test_mso, found.test_mso, 100.0),
    }
    return {
        "nerve": [_plan(Stimulus.nerve(_nearest(2 * step * found.half_ma) / 2), "Mmax") for step in steps],
        "single": [_plan(Stimulus.single(found.of_threshold(120)), "single") for _ in range(13)],
        "curve": [_plan(Stimulus.single(float(level)), "curve") for level in rng.permutation(levels)],
        "paired": _interleave(pairs, 10, 0.0, rng),
    }


def pinch_blocks(found: Strengths) -> Blocks:
    """Return the block of the contracted hand."""
    return {"silent": [_plan(Stimulus.single(found.of_threshold(120)), "silent", PINCH_PCT) for _ in range(10)]}


def lumbar_blocks(rng: Rng) -> Blocks:
    """Return the blocks of the lumbar muscles: at rest, during extension, pairs during extension."""
    test = Stimulus.single(LUMBAR_MSO)
    pairs = {
        "test": test,
        "SICI": Stimulus.paired(BASE_MSO, LUMBAR_MSO, 3.0),
        "ICF": Stimulus.paired(BASE_MSO, LUMBAR_MSO, 15.0),
    }
    return {
        "rest": [_plan(test, "rest") for _ in range(4)],
        "single": [_plan(test, "single", EXTENSION_PCT) for _ in range(8)],
        "paired": _interleave(pairs, 10, EXTENSION_PCT, rng),
    }


def _plan(stimulus: Stimulus, condition: str, contraction_pct: float = 0.0) -> Planned:
    return Planned(onset_s=math.nan, stimulus=stimulus, condition=condition, contraction_pct=contraction_pct)


def _interleave(stimuli: Mapping[str, Stimulus], times: int, contraction_pct: float, rng: Rng) -> list[Planned]:
    """Every condition once in each mini-block, in random order; the very first is the first named, the test alone."""
    names = list(stimuli)
    order = [names[0], *rng.permutation(names[1:])]
    for _ in range(times - 1):
        order += list(rng.permutation(names))
    return [_plan(stimuli[name], str(name), contraction_pct) for name in order]
