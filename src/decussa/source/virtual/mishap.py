"""What an operator does wrong, or a cable does, at a stimulus: scripted for rehearsals and tests. The plan is not told."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from decussa.model.errors import UsageError
from decussa.source.virtual.response import DELIVERED, Lapse


@dataclass(frozen=True, slots=True, kw_only=True)
class Mishap:
    """One thing that goes wrong: what the person meets, how far the coil has slid, and what the recorder loses."""

    lapse: Lapse = DELIVERED
    slid_cm: float = 0.0
    turned_deg: float = 0.0
    electrode_off: bool = False
    trigger_missed: bool = False


NOTHING_WRONG = Mishap()
MISHAPS: Mapping[str, Mishap] = MappingProxyType(
    {
        "coil slipped": Mishap(slid_cm=2.0, turned_deg=20.0),
        "wrong interval": Mishap(lapse=Lapse(isi_error_ms=2.0)),
        "pulse missing": Mishap(lapse=Lapse(fired=False)),
        "trigger missed": Mishap(trigger_missed=True),
        "electrode off": Mishap(electrode_off=True),
        "tension": Mishap(lapse=Lapse(tension_pct=8.0)),
    }
)


def mishap_of(kind: str) -> Mishap:
    """Return a mishap by name; a ``UsageError`` lists the ones there are."""
    if kind not in MISHAPS:
        raise UsageError("this error is not known", expected=", ".join(MISHAPS), found=repr(kind))
    return MISHAPS[kind]
