"""Intensities as the trade writes them: ``130 % RMT``, ``70 % AMT``, ``50 % MSO``, ``1 mV``, ``base + 40 % MSO``."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from decussa.model.errors import UsageError

Reference = Literal["mso", "rmt", "amt", "base", "size"]

_NUMBER = r"(\d+(?:\.\d+)?)"
_FORMS: tuple[tuple[Reference, re.Pattern[str]], ...] = (
    ("rmt", re.compile(rf"{_NUMBER}\s*%\s*RMT", re.IGNORECASE)),
    ("amt", re.compile(rf"{_NUMBER}\s*%\s*AMT", re.IGNORECASE)),
    ("mso", re.compile(rf"{_NUMBER}\s*%\s*MSO", re.IGNORECASE)),
    ("base", re.compile(rf"base(?:\s*\+\s*{_NUMBER}\s*%\s*MSO)?", re.IGNORECASE)),
    ("size", re.compile(rf"{_NUMBER}\s*mV", re.IGNORECASE)),
)
_ALLOWED = '"130 % RMT", "70 % AMT", "50 % MSO", "base", "base + 40 % MSO" or "1 mV"'

#: What each reference stands for, for messages.
REFERENCE_NAMES: Mapping[Reference, str] = {
    "mso": "stimulator output",
    "rmt": "resting threshold",
    "amt": "active threshold",
    "base": "base level",
    "size": "test intensity for a size",
}


@dataclass(frozen=True, slots=True)
class Intensity:
    """An intensity relative to something that may only be known later.

    ``amount`` is percent of the reference (rmt, amt), percent of maximum output (mso), the addition in % MSO (base) or
    millivolt (size).
    """

    reference: Reference
    amount: float
    text: str

    def request(self, known: Mapping[Reference, float]) -> float:
        """Return the % MSO asked for, before rounding to the device; NaN where the reference is not known yet.

        ``known`` maps ``rmt``, ``amt`` and ``base`` to % MSO, and ``size`` to the % MSO found for the test size.
        """
        if self.reference == "mso":
            return self.amount
        at = known.get(self.reference, math.nan)
        if self.reference == "base":
            return at + self.amount
        if self.reference == "size":
            return at
        return at * self.amount / 100


def read_intensity(text: str) -> Intensity:
    """Read an intensity expression.

    Raises
    ------
    UsageError
        If the text is none of the allowed forms.
    """
    for reference, form in _FORMS:
        match = form.fullmatch(text.strip())
        if match:
            amount = float(match.group(1)) if match.group(1) else 0.0
            if reference == "mso" and amount > 100:
                break
            return Intensity(reference, amount, text.strip())
    raise UsageError("intensity cannot be read", expected=_ALLOWED, found=repr(text))


def set_on_device(requested_mso: float, step_mso: float = 1.0) -> float:
    """Return the setting nearest to ``requested_mso`` that the device has; ties go up."""
    return math.floor(requested_mso / step_mso + 0.5) * step_mso
