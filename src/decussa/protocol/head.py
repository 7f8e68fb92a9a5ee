"""Where the vertex is: half of both arcs over the head, as in the international 10-20 system (Klem 1999, EEG suppl. 52:3-6).

The reference is from memory. Scalp landmarks are coarse: in 21 people about one in ten positions of the system fell on a
neighbouring area of the cortex (Herwig 2003, doi 10.1023/b:brat.0000006333.93597.9d).
"""

from __future__ import annotations

from dataclasses import dataclass

from decussa.model.errors import UsageError

#: Arcs outside are typing errors rather than heads of adults and youths (common practice, no source).
NASION_INION_CM = (25.0, 45.0)
EAR_TO_EAR_CM = (25.0, 48.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Vertex:
    """The vertex: cm along the midline from nasion (and inion), cm along the ear line from each tragus."""

    from_nasion_cm: float
    from_ear_cm: float

    def sentence(self) -> str:
        """Return where to mark it."""
        return f"{self.from_nasion_cm:.1f} cm from nasion and inion, {self.from_ear_cm:.1f} cm from both ears"


def find_vertex(nasion_inion_cm: float, ear_to_ear_cm: float) -> Vertex:
    """Return the vertex of a head from both arcs, by tape over the skin.

    Raises
    ------
    UsageError
        If an arc cannot be one of a head: another unit, or a typing error.
    """
    for name, arc, (low, high) in (
        ("nasion to inion", nasion_inion_cm, NASION_INION_CM),
        ("ear to ear", ear_to_ear_cm, EAR_TO_EAR_CM),
    ):
        if not low <= arc <= high:
            raise UsageError(
                "arc over the head cannot be right",
                where=name,
                expected=f"{low:g} to {high:g} cm",
                found=f"{arc:g} cm",
                do="measure again, by tape over the skin",
            )
    return Vertex(from_nasion_cm=nasion_inion_cm / 2, from_ear_cm=ear_to_ear_cm / 2)


def site_sentence(start_cm: tuple[float, float], stim_side: str) -> str:
    """Return where the search for the hotspot begins: cm from the vertex to the stimulated side, and to the front.

    ``stim_side`` is ``left``, ``right`` or ``midline``.
    """
    out, front = start_cm
    parts = []
    if out and stim_side in ("left", "right"):
        parts.append(f"{abs(out):g} cm {stim_side} of the vertex")
    if front:
        parts.append(
            f"{abs(front):g} cm {'in front of' if front > 0 else 'behind'} the {'ear line' if parts else 'vertex'}"
        )
    elif parts:
        parts.append("on the ear line")
    return ", ".join(parts) or "over the vertex"
