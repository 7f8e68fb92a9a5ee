"""The virtual participant of a session: made for it, kept in its settings, and made again from them."""

from __future__ import annotations

from decussa.protocol.schema import Protocol
from decussa.source.contract import Source
from decussa.source.virtual.montage import Montage, montage_for
from decussa.source.virtual.person import VirtualParticipant
from decussa.source.virtual.source import VirtualSource
from decussa.source.virtual.state import State
from decussa.store.records import Started

#: The setting that says what makes a person hard to record.
PERSON = "person"
#: How a setting is named that says how a state changes the drive of a muscle.
_DRIVE = "drive "
#: How a setting is named that says what was scripted to go wrong at a stimulus.
_MISHAP = "mishap at "


def virtual_person(protocol: Protocol, seed: int, *, hard: str) -> VirtualParticipant:
    """Return the virtual participant of ``seed``, with electrodes on the protocol's muscles."""
    return VirtualParticipant(seed, _montage(protocol), hard=hard)


def person_of(protocol: Protocol, started: Started) -> VirtualParticipant:
    """Return the virtual participant whom a session was started with, in the state in which it found them."""
    drive = {name: float(change) for name, change in _named(started, _DRIVE).items()}
    hard = str(started.settings.get(PERSON, ""))
    return VirtualParticipant(started.seed, _montage(protocol), state=State(drive=drive), hard=hard)


def mishaps_of(started: Started) -> dict[int, str]:
    """Return what was scripted to go wrong in a session, by number of the stimulus."""
    return {int(number): str(kind) for number, kind in _named(started, _MISHAP).items()}


def kind_of(source: Source) -> str:
    """Return what makes a source's person hard to record; empty for an easy one, and for a source that has none."""
    return source.person.truth.hard if isinstance(source, VirtualSource) else ""


def settings_of(source: Source) -> dict[str, str | float]:
    """Return what a session keeps of a virtual person beside the kind, for truth and what was missed to be told later."""
    if not isinstance(source, VirtualSource):
        return {}
    drive = {f"{_DRIVE}{muscle}": change for muscle, change in source.person.state.drive.items()}
    return {**drive, **{f"{_MISHAP}{number}": kind for number, kind in source.errors.items()}}


def _named(started: Started, prefix: str) -> dict[str, str | float]:
    """Return the settings whose names begin so, without the beginning."""
    return {name.removeprefix(prefix): value for name, value in started.settings.items() if name.startswith(prefix)}


def _montage(protocol: Protocol) -> Montage:
    return montage_for([muscle.label for muscle in protocol.muscles], group=protocol.people.group)
