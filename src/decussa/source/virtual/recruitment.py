"""From drive to recruited units: a line that bends before the plateau, and is the steeper the stronger the contraction.

Drive is the logarithm of intensity over threshold plus everything that moves excitability. Landmarks: contraction makes the
recruitment curve up to 4 to 7 times as steep as at rest, most at 30 to 40 % of the maximum, lowers the threshold only
slightly, and leaves the plateau as it is, which four of nine people cannot reach at rest (Devanne 1997, Exp Brain Res
114:329, doi 10.1007/PL00005641); 1 mV takes some 1.27 times the resting threshold (68.8 over 53.7 and 66.7 over 52.6 % MSO,
Silbert 2013, Clin Neurophysiol 124:708); people differ so much that means of five trials tell them apart (ICC 0.92, Cavaleri
2017, doi 10.1186/s13643-017-0440-8). The shape is our own.
"""

from __future__ import annotations

import math

#: Pool drive that a unit of drive recruits: at rest, median over people and SD of its logarithm; in strong contraction.
REST_GAIN, REST_GAIN_SD = 0.88, 0.36
ACTIVE_GAIN = 3.0
#: Contraction, in % MVC, that does 63 % of the steepening.
STEEPENING_PCT = 17.0
#: Pool drive above the threshold at which the line bends, and how much is still gained beyond: the largest units stay out.
BEND, ROOM = 0.40, 0.20
#: What is asked for beyond the plateau is taken for this share of the room.
_NEARLY = 0.995


def gain_at(contraction_pct: float, rest_gain: float) -> float:
    """Return how steeply drive recruits in a person with ``rest_gain`` who holds a contraction, in % MVC."""
    return rest_gain + (ACTIVE_GAIN - rest_gain) * -math.expm1(-contraction_pct / STEEPENING_PCT)


def rest_share(contraction_pct: float, rest_gain: float) -> float:
    """Return by what a drive shrinks that recruits in contraction what it recruits at rest: a conditioning pulse's."""
    return rest_gain / gain_at(contraction_pct, rest_gain)


def recruit(drive: float, gain: float) -> float:
    """Return the pool drive, 0 at the threshold, of a ``drive`` in log intensity."""
    beyond = max(gain * drive - BEND, 0.0)
    return min(gain * drive, BEND) + ROOM * -math.expm1(-beyond / ROOM)


def drive_to_recruit(recruited: float, gain: float) -> float:
    """Return the drive whose pool drive is ``recruited``."""
    beyond = min(max(recruited - BEND, 0.0), _NEARLY * ROOM)
    return (min(recruited, BEND) - ROOM * math.log1p(-beyond / ROOM)) / gain
