"""What a channel is: from its BIDS type, or from its label."""

from __future__ import annotations

import re
from collections.abc import Sequence

from decussa.model.muscle import UNKNOWN, muscle_and_side
from decussa.model.recording import ChannelKind
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
    labels: Sequence[str], is_voltage: Sequence[bool], mapping: Mapping = NO_MAPPING
) -> tuple[list[ChannelKind], tuple[str, ...]]:
    """Return the kinds of channels from their labels, and notes on what was assumed.

    What a mapping says goes before. A label tells EMG by that word or by a muscle. Where no label does, voltage channels
    that are merely numbered
    (``CH1``) are taken as EMG, with a note.
    """
    kinds = [mapping.channel(label).kind or _kind_of_label(label) for label in labels]
    if "emg" in kinds:
        return kinds, ()
    numbered = [
        index
        for index, label in enumerate(labels)
        if kinds[index] == "other" and is_voltage[index] and _UNNAMED.fullmatch(label.strip())
    ]
    for index in numbered:
        kinds[index] = "emg"
    names = ", ".join(labels[index] for index in numbered)
    return kinds, (f"no label names a muscle; taken as EMG: {names}",) if numbered else ()


def _kind_of_label(label: str) -> ChannelKind:
    words = {word.lower() for word in re.split(r"[^A-Za-z]+", label) if word}
    if words & _TRIGGER:
        return "trigger"
    if words & _HEART:
        return "ecg"
    if words & _OTHER:
        return "other"
    return "emg" if "emg" in words or muscle_and_side(label)[0] is not UNKNOWN else "other"
