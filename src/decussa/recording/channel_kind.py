"""What a channel is: from a mapping, from its BIDS type, or from its label."""

from __future__ import annotations

import re
from collections.abc import Sequence

from decussa.model.muscle import UNKNOWN, muscle_and_side
from decussa.model.recording import Channel, ChannelKind
from decussa.model.units import is_voltage, microvolt_factor
from decussa.recording.mapping import NO_MAPPING, Mapping

_BY_TYPE: dict[str, ChannelKind] = {"EMG": "emg", "TRIG": "trigger", "ECG": "ecg"}
_TRIGGER = frozenset({
    "trig", "trigger", "ttl", "stim", "sync", "status", "marker", "mark", "trg", "stimulus",
})  # fmt: skip
_HEART = frozenset({
    "ecg", "ekg", "heart",
})  # fmt: skip
_OTHER = frozenset({
    "eeg", "eog", "torque", "force", "acc", "accel", "resp", "temp", "gsr", "angle", "goniometer", "pressure",
    "kraft", "moment",
})  # fmt: skip
_UNNAMED = re.compile(r"(?:ch|chan|channel|kanal|input|in|analog|ai|signal)?[ _.:-]*\d+", re.IGNORECASE)


def kind_of_type(bids_type: str) -> ChannelKind:
    """Return the kind of a channel from the column ``type`` of ``channels.tsv``."""
    return _BY_TYPE.get(bids_type.upper(), "other")


def kinds_of_labels(
    labels: Sequence[str], in_volts: Sequence[bool], mapping: Mapping = NO_MAPPING
) -> tuple[list[ChannelKind], tuple[str, ...]]:
    """Return the kinds of channels from their labels, and notes on what was assumed.

    What a mapping says goes before. A label tells EMG by that word or by a muscle. Where no label does, voltage channels
    that are merely numbered (``CH1``) are taken as EMG, with a note.
    """
    kinds = [mapping.channel(label).kind or _kind_of_label(label) for label in labels]
    if "emg" in kinds:
        return kinds, ()
    numbered = [
        index
        for index, label in enumerate(labels)
        if kinds[index] == "other" and in_volts[index] and _UNNAMED.fullmatch(label.strip())
    ]
    for index in numbered:
        kinds[index] = "emg"
    names = ", ".join(labels[index] for index in numbered)
    return kinds, (f"no label names a muscle; taken as EMG: {names}",) if numbered else ()


def make_channel(name: str, kind: ChannelKind, unit: str, rate_hz: float, mapping: Mapping) -> Channel:
    """Return a channel: what the mapping says of it goes before what its name tells."""
    told = mapping.channel(name)
    muscle, side = muscle_and_side(name)
    return Channel(
        name=name, kind=kind, rate_hz=rate_hz, unit=unit or "no unit", muscle=muscle if told.muscle is UNKNOWN else told.muscle,
        side=told.side or side,
    )  # fmt: skip


def uv_per_unit(kind: ChannelKind, unit: str, *, where: str) -> float:
    """Return the factor to microvolt; 1 for channels that need not be a voltage.

    Raises
    ------
    RecordingError
        If the unit of an EMG channel is no known voltage unit.
    """
    return microvolt_factor(unit, where=where) if kind == "emg" or is_voltage(unit) else 1.0


def _kind_of_label(label: str) -> ChannelKind:
    words = {word.lower() for word in re.split(r"[^A-Za-z]+", label) if word}
    if words & _TRIGGER:
        return "trigger"
    if words & _HEART:
        return "ecg"
    if words & _OTHER:
        return "other"
    return "emg" if "emg" in words or muscle_and_side(label)[0] is not UNKNOWN else "other"
