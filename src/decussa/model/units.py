"""Units at the door: everything inside is microvolt, millisecond, hertz, % MSO, milliampere."""

from __future__ import annotations

from decussa.model.errors import RecordingError

#: Factor from a voltage unit, as found in file headers and sidecars, to microvolt. The micro sign exists twice in Unicode.
MICROVOLT_PER: dict[str, float] = {
    "V": 1e6,
    "mV": 1e3,
    "uV": 1.0,
    "\u00b5V": 1.0,
    "\u03bcV": 1.0,
    "nV": 1e-3,
}
_SPELLINGS = {
    "volt": "V",
    "volts": "V",
    "v": "V",
    "millivolt": "mV",
    "millivolts": "mV",
    "mv": "mV",
    "microvolt": "uV",
    "microvolts": "uV",
    "microv": "uV",
    "uv": "uV",
    "\u00b5v": "uV",
    "\u03bcv": "uV",
    "nanovolt": "nV",
    "nanovolts": "nV",
    "nv": "nV",
}


def microvolt_factor(unit: str, *, where: str = "") -> float:
    """Return the number of microvolts in one ``unit``.

    Parameters
    ----------
    unit : str
        ``V``, ``mV``, ``uV`` (or with either Unicode micro sign), ``nV``, or the word written out. ``MV``, which would
        be megavolt, is refused rather than guessed.
    where : str
        What the unit belongs to, for the message.

    Raises
    ------
    RecordingError
        If the unit is not a known voltage unit.
    """
    name = unit.strip()
    if name in MICROVOLT_PER:
        return MICROVOLT_PER[name]
    spelled = _SPELLINGS.get(name.lower())
    if spelled is None or name.startswith("M"):
        raise RecordingError(
            "unit of the signal is not known",
            where=where,
            expected="V, mV, uV or nV",
            found=repr(unit) if name else "no unit",
            do="correct the unit in the header or in channels.tsv",
        )
    return MICROVOLT_PER[spelled]


def is_voltage(unit: str) -> bool:
    """Return whether ``microvolt_factor`` knows the unit."""
    try:
        microvolt_factor(unit)
    except RecordingError:
        return False
    return True
