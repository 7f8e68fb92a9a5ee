"""What the virtual person says and shows when asked: discomfort of a pulse, strength of an effort."""

from __future__ import annotations

import numpy as np

from decussa.model.dialogue import Ask
from decussa.source.virtual.person import VirtualParticipant


def rate_discomfort(person: VirtualParticipant, request: Ask) -> float:
    """Return a whole number from 0 to 10: it rises with the square of intensity, 5 at what the person bears.

    The course is from memory, no source.
    """
    share = request.intensity_mso / person.truth.tolerance_mso
    felt = 5.0 * share**2 + 0.5 * _chance(person, request).standard_normal()
    return float(min(max(round(felt), 0), 10))


def show_effort(person: VirtualParticipant, request: Ask) -> float:
    """Return the EMG of one maximal effort in µV RMS: 85 to 100 % of what the person can (from memory, no source)."""
    most_uv = person.truth.muscles[request.muscle].mvc_uv
    return round(most_uv * float(_chance(person, request).uniform(0.85, 1.0)), 1)


def _chance(person: VirtualParticipant, request: Ask) -> np.random.Generator:
    """Chance that depends on the person and the words of the question alone, so that a session that goes on hears the same."""
    words = f"{request.step}\n{request.text}".encode()
    return np.random.default_rng([person.truth.seed, 10, *words])
