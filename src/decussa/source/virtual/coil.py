"""Where the coil is, and what share of a pulse reaches a muscle's part of the cortex from there.

The share falls off as a Gaussian with the distance from the hotspot and with the turn away from the best direction. Width
and depth of both are from memory, no source: two centimetres off, a hand muscle's threshold is a quarter higher; a coil held
at right angles to the best direction needs some 40 % more.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from decussa.source.virtual.montage import Site

Rng = np.random.Generator

#: How the coil is held unless something is wrong: handle back and lateral, in degrees to the midline.
HELD_DEG = 45.0
#: Share that is lost at right angles.
_ACROSS = 0.3
#: An operator's hand: error of every placement, and wobble from pulse to pulse, in cm and degrees (from memory, no source).
_PLACED_CM, _PLACED_DEG = 0.2, 4.0
_WOBBLE_CM, _WOBBLE_DEG = 0.08, 1.5


@dataclass(frozen=True, slots=True)
class Spot:
    """Where a muscle is reached best: cm to the right and to the front of the vertex, and direction of the coil."""

    x_cm: float
    y_cm: float
    angle_deg: float


@dataclass(frozen=True, slots=True)
class Coil:
    """Where the coil really is: cm to the right and to the front of the vertex, and its direction."""

    x_cm: float
    y_cm: float
    angle_deg: float = HELD_DEG

    def moved(self, cm: float, degrees: float, rng: Rng) -> Coil:
        """Return the coil moved and turned at random, by SDs of ``cm`` on each axis and ``degrees``."""
        right, front, turn = rng.standard_normal(3)
        return Coil(self.x_cm + cm * right, self.y_cm + cm * front, self.angle_deg + degrees * turn)


def draw_spot(site: Site, rng: Rng) -> Spot:
    """Draw where a person's muscle is reached best: opposite to the muscle, or on its side where that is stimulated."""
    lateral, front = site.anatomy.spot_cm
    hemisphere = 1.0 if (site.side == "left") != site.ipsilateral else -1.0
    x, y, turn = rng.standard_normal(3)
    return Spot(hemisphere * (lateral.mean + lateral.sd * x), front.mean + front.sd * y, HELD_DEG + 8.0 * float(turn))


def place(site_cm: tuple[float, float], placement: Rng, pulse: Rng) -> Coil:
    """Put the coil on ``site_cm`` as a hand does: off by an error of its own for each site, and never quite still."""
    asked = Coil(*site_cm)
    return asked.moved(_PLACED_CM, _PLACED_DEG, placement).moved(_WOBBLE_CM, _WOBBLE_DEG, pulse)


def slide(coil: Coil, cm: float, degrees: float, rng: Rng) -> Coil:
    """Return a coil that has slid by ``cm`` in a direction of chance and turned by ``degrees`` to either side."""
    way = float(rng.uniform(0, 2 * math.pi))
    turned = degrees * float(rng.choice([-1.0, 1.0]))
    return Coil(coil.x_cm + cm * math.cos(way), coil.y_cm + cm * math.sin(way), coil.angle_deg + turned)


def reach(spot: Spot, coil: Coil, reach_cm: float) -> float:
    """Return what share of a pulse from ``coil`` reaches ``spot``: 1 at best."""
    squared = (coil.x_cm - spot.x_cm) ** 2 + (coil.y_cm - spot.y_cm) ** 2
    across = math.sin(math.radians(coil.angle_deg - spot.angle_deg)) ** 2
    return math.exp(-squared / (2 * reach_cm**2)) * (1 - _ACROSS * across)
