"""What the record says about how a session was measured: the texts that methods and checklist are filled from.

A study fills it from protocol and journal, a recording from what stands beside it. Empty is "the record does not say".
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from decussa.model.recording import Recording


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """What is said about one thing, and how it was controlled; each may be empty."""

    reported: str = ""
    controlled: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class MethodRecord:
    """What was done, by topic of the checklist (see ``report.checklist``), and what only a methods text says.

    Parameters
    ----------
    said : mapping of str to Said
        By key of the topic.
    approval : str
        Number of the ethics approval.
    order : str
        How the order of stimuli came about.
    set_up : str
        Filters, gain and the like, in a sentence without its full stop.
    """

    said: Mapping[str, Said] = field(default_factory=dict)
    approval: str = ""
    order: str = ""
    set_up: str = ""

    def of(self, key: str) -> Said:
        """Return what is said about a topic."""
        return self.said.get(key, Said())


#: Facts of a recording that fill a topic: key of the topic, names of the facts.
_FACTS: Mapping[str, tuple[str, ...]] = {
    "age": ("Age",),
    "sex": ("Sex",),
    "hand": ("Handedness",),
    "electrodes": ("Electrode placement", "Skin preparation", "Distance between electrodes (mm)", "Electrode material"),
}
_SET_UP = ("Hardware filters", "Software filters", "Reference", "Ground", "Gain")


def record_of(recordings: Sequence[Recording]) -> MethodRecord:
    """Return what recordings of one session say themselves."""
    said = {key: Said(reported=_told(recordings, names)) for key, names in _FACTS.items()}
    return MethodRecord(said=said, set_up=_told(recordings, _SET_UP))


def _told(recordings: Sequence[Recording], names: Sequence[str]) -> str:
    parts = []
    for name in names:
        values = list(dict.fromkeys(one.facts[name] for one in recordings if one.facts.get(name)))
        if values:
            text = " or ".join(values)
            parts.append(text if len(names) == 1 or name == "Electrode placement" else f"{name.lower()} {text}")
    return "; ".join(parts)
