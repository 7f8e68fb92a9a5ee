"""Which muscles of a virtual participant are recorded: by the name of a protocol, or by the muscles it asks for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from decussa.model.errors import UsageError
from decussa.source.virtual.anatomy import FCR, FDI, FDI_AFFECTED, LES, RF, TA, Anatomy


@dataclass(frozen=True, slots=True)
class Site:
    """Electrodes on one muscle of one side, and whether the stimulated hemisphere is on that same side."""

    anatomy: Anatomy
    side: str
    ipsilateral: bool = False

    @property
    def channel(self) -> str:
        """Name of the channel."""
        return f"{self.anatomy.key} {self.side}"

    @property
    def is_affected(self) -> bool:
        """Whether this is the weak side of a patient."""
        return self.anatomy is FDI_AFFECTED


@dataclass(frozen=True, slots=True)
class Montage:
    """Where electrodes sit, and which side of the head is stimulated; the first site is the target."""

    name: str
    sites: tuple[Site, ...]
    stim_side: str
    group: str = "volunteers"


#: The trunk without the leg, as the rowers of the demo are recorded.
BACK = Montage("lumbar", (Site(LES, "right"), Site(LES, "left", ipsilateral=True)), "left")

MONTAGES: dict[str, Montage] = {
    montage.name: montage
    for montage in (
        Montage("hand", (Site(FDI, "right"),), "left"),
        Montage("forearm", (Site(FCR, "left"),), "right"),
        Montage("lumbar", (*BACK.sites, Site(RF, "right")), "left"),
        Montage("leg", (Site(TA, "right"),), "midline"),
        Montage("patient", (Site(FDI_AFFECTED, "left"), Site(FDI, "right")), "right", "patients"),
    )
}
_ANATOMIES = {anatomy.key: anatomy for anatomy in (FDI, FCR, LES, TA, RF)}


def montage_of(protocol: str) -> Montage:
    """Return the montage of ``protocol``; a ``UsageError`` lists the ones there are."""
    if protocol not in MONTAGES:
        raise UsageError(
            "the virtual participant does not know this protocol", expected=", ".join(MONTAGES), found=repr(protocol)
        )
    return MONTAGES[protocol]


def montage_for(labels: Sequence[str], *, group: str = "volunteers") -> Montage:
    """Return a montage that records ``labels`` (``FCR left``, ...): a named one where it fits exactly, else one of its own.

    Raises
    ------
    UsageError
        If the virtual participant has no such muscle.
    """
    for montage in (*MONTAGES.values(), BACK):
        if {site.channel for site in montage.sites} == set(labels) and montage.group == group:
            return montage
    unknown = [label for label in labels if label.split(" ", maxsplit=1)[0] not in _ANATOMIES]
    if unknown:
        raise UsageError(
            "the virtual participant has no such muscle", expected=", ".join(_ANATOMIES), found=", ".join(unknown)
        )
    sites = tuple(Site(_ANATOMIES[key], side) for key, side in (label.split(" ", maxsplit=1) for label in labels))
    return Montage("+".join(labels), sites, "left" if sites[0].side == "right" else "right", group)
