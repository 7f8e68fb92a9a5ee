"""What makes a person hard to record, by name or drawn by seed. Strengths and frequencies are invented, no source."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from decussa.model.errors import UsageError


@dataclass(frozen=True, slots=True, kw_only=True)
class Character:
    """How a person differs from an easy one.

    Parameters
    ----------
    threshold : float
        Factor on every resting threshold.
    contraction_gain : float
        Drive that contraction adds beyond the usual, in log intensity.
    inhibition : float
        Factor on the short and the long inhibition of pairs.
    noise : float
        Factor on the noise of every electrode.
    drift : float
        Change of drive from stimulus to stimulus, in log intensity, up to ``drift_most`` stimuli.
    tense_share, tension_pct : float
        Share of stimuli that meet a tense muscle, and the mean contraction then, in % MVC.
    tolerance : float
        Factor on the intensity that the person bears.
    """

    threshold: float = 1.0
    contraction_gain: float = 0.0
    inhibition: float = 1.0
    noise: float = 1.0
    drift: float = 0.0
    drift_most: int = 250
    tense_share: float = 0.0
    tension_pct: float = 0.0
    tolerance: float = 1.0

    def drift_at(self, number: int) -> float:
        """Return the change of drive at a stimulus."""
        return self.drift * min(number, self.drift_most)


EASY = Character()
HARD: Mapping[str, Character] = MappingProxyType(
    {
        "high threshold": Character(threshold=1.4),
        "no response at rest": Character(threshold=2.8, contraction_gain=0.7),
        "no inhibition": Character(inhibition=0.0),
        "noisy": Character(noise=2.5),
        "drowsy": Character(drift=-0.0006),
        "tense": Character(tense_share=0.4, tension_pct=5.0),
        "low tolerance": Character(tolerance=0.55),
    }
)
#: How often each is met among people drawn by seed; the others are easy.
FREQUENCY: Mapping[str, float] = MappingProxyType(
    {
        "high threshold": 0.05,
        "no response at rest": 0.02,
        "no inhibition": 0.06,
        "noisy": 0.06,
        "drowsy": 0.06,
        "tense": 0.06,
        "low tolerance": 0.05,
    }
)


def draw_hard(seed: int) -> str:
    """Return what makes the person of ``seed`` hard, an empty text for most people."""
    chance = np.random.default_rng([seed, 8]).random()
    for name, share in FREQUENCY.items():
        if chance < share:
            return name
        chance -= share
    return ""


def character_of(hard: str) -> Character:
    """Return the character by name, the easy one for an empty text; a ``UsageError`` lists the ones there are."""
    if not hard:
        return EASY
    if hard not in HARD:
        raise UsageError("this kind of person is not known", expected=", ".join(HARD), found=repr(hard))
    return HARD[hard]
