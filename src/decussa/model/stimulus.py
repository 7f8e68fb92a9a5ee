"""What was given, or is to be given: pulses, and the stimulus they make up."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from decussa.model.errors import UsageError

StimulusType = Literal["single", "paired", "nerve"]
STIMULUS_TYPES: tuple[StimulusType, ...] = ("single", "paired", "nerve")


@dataclass(frozen=True, slots=True)
class Pulse:
    """One discharge: its time from the test pulse in ms (0 or negative) and its strength.

    ``intensity_mso`` is NaN for a nerve pulse, ``current_ma`` is NaN for a magnetic one; both may be NaN if not known.
    """

    at_ms: float
    intensity_mso: float = math.nan
    current_ma: float = math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class Stimulus:
    """One stimulus: a single pulse, a conditioning and a test pulse, or a pulse to the nerve.

    Intensities are % MSO, the interval is ms onset to onset, the current is mA; NaN is "not known" or "does not apply".
    """

    stim_type: StimulusType
    intensity_mso: float = math.nan
    cond_intensity_mso: float = math.nan
    isi_ms: float = math.nan
    current_ma: float = math.nan

    def __post_init__(self) -> None:
        if self.stim_type not in STIMULUS_TYPES:
            raise UsageError(
                "stimulus type is not known", expected=", ".join(STIMULUS_TYPES), found=repr(self.stim_type)
            )
        for name, value in (("intensity_mso", self.intensity_mso), ("cond_intensity_mso", self.cond_intensity_mso)):
            if not (math.isnan(value) or 0 <= value <= 100):
                raise UsageError(f"{name} is out of range", expected="0 to 100 % MSO", found=f"{value:g}")
        if self.stim_type == "paired" and not (math.isfinite(self.isi_ms) and self.isi_ms > 0):
            raise UsageError("a paired stimulus needs an interval", expected="isi_ms above 0", found=f"{self.isi_ms:g}")
        if self.stim_type != "paired" and math.isfinite(self.isi_ms):
            raise UsageError(
                f"a {self.stim_type} stimulus has no interval", expected="no isi_ms", found=f"{self.isi_ms:g} ms"
            )
        if math.isfinite(self.current_ma) and self.current_ma < 0:
            raise UsageError("current_ma is out of range", expected="0 or more", found=f"{self.current_ma:g}")

    @classmethod
    def single(cls, intensity_mso: float) -> Stimulus:
        """One magnetic pulse at ``intensity_mso`` % MSO."""
        return cls(stim_type="single", intensity_mso=float(intensity_mso))

    @classmethod
    def paired(cls, cond_intensity_mso: float, test_intensity_mso: float, isi_ms: float) -> Stimulus:
        """A conditioning pulse, then a test pulse ``isi_ms`` later (onset to onset)."""
        return cls(
            stim_type="paired",
            intensity_mso=float(test_intensity_mso),
            cond_intensity_mso=float(cond_intensity_mso),
            isi_ms=float(isi_ms),
        )

    @classmethod
    def nerve(cls, current_ma: float) -> Stimulus:
        """One electrical pulse of ``current_ma`` mA to the nerve of the muscle."""
        return cls(stim_type="nerve", current_ma=float(current_ma))

    @property
    def pulses(self) -> tuple[Pulse, ...]:
        """The pulses in order; the test pulse is the last, at 0 ms."""
        if self.stim_type == "nerve":
            return (Pulse(0.0, current_ma=self.current_ma),)
        test = Pulse(0.0, intensity_mso=self.intensity_mso)
        if self.stim_type == "paired":
            return (Pulse(-self.isi_ms, intensity_mso=self.cond_intensity_mso), test)
        return (test,)
