"""What a caller may say about one pulse, checked at the door of every procedure."""

from __future__ import annotations

import math

from decussa.model.errors import UsageError


def check_intensity(intensity_mso: float) -> float:
    """Return the intensity in % MSO, or refuse what no stimulator gives."""
    if not 0 <= intensity_mso <= 100:
        raise UsageError(
            "intensity is out of range", where="intensity_mso", expected="0 to 100 % MSO", found=f"{intensity_mso:g}"
        )
    return float(intensity_mso)


def check_outcome(
    amplitude_uv: float | None, response: bool | None, noise_uv: float | None, *, criterion_uv: float
) -> None:
    """Refuse an outcome that says nothing, is no size, or contradicts itself."""
    if amplitude_uv is None and response is None:
        raise UsageError(
            "a pulse without an outcome teaches nothing", expected="amplitude_uv in uV, or response yes or no"
        )
    if amplitude_uv is not None and not (math.isfinite(amplitude_uv) and amplitude_uv > 0):
        raise UsageError(
            "a size is a number above 0",
            where="amplitude_uv",
            expected="raw peak-to-peak in uV",
            found=f"{amplitude_uv:g}",
            do="give response=False where no response was seen, and leave out a pulse that was not measured",
        )
    if noise_uv is not None and not (math.isfinite(noise_uv) and noise_uv > 0):
        raise UsageError(
            "noise is a number above 0",
            where="noise_uv",
            expected="peak-to-peak that noise alone gives, in uV",
            found=f"{noise_uv:g}",
            do="leave noise_uv out where it is not known",
        )
    if amplitude_uv is not None and response is not None and bool(response) != (amplitude_uv >= criterion_uv):
        raise UsageError(
            "size and answer contradict each other",
            where="response",
            expected=f"yes from {criterion_uv:g} uV on",
            found=f"{'yes' if response else 'no'} with {amplitude_uv:g} uV",
            do="give only one of them",
        )


def seen(amplitude_uv: float | None, response: bool | None, *, criterion_uv: float) -> bool:
    """Return whether the pulse counts as having evoked a response of at least ``criterion_uv``."""
    check_outcome(amplitude_uv, response, None, criterion_uv=criterion_uv)
    return bool(response) if amplitude_uv is None else amplitude_uv >= criterion_uv


def positive(name: str, value: float, unit: str) -> float:
    """Return a setting that must be a finite number above 0."""
    if not (math.isfinite(value) and value > 0):
        raise UsageError(
            f"{name} is out of range", where=name, expected=f"a number of {unit} above 0", found=f"{value:g}"
        )
    return float(value)
