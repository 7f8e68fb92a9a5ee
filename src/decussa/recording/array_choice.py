"""Which array of a file holds the signal, what its channels are called, and in which unit it is."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from decussa.model.errors import RecordingError
from decussa.model.recording import ChannelKind
from decussa.recording.array_file import ArrayFile, NamedArray, plain_name
from decussa.recording.array_lookup import look_up, one_text
from decussa.recording.array_words import (
    AT_SAMPLE,
    BEFORE,
    BEFORE_UNCLEAR,
    COLUMNS,
    LABELS,
    ONSETS,
    RATE,
    SAMPLES_BEFORE,
    SIGNAL,
    STEP,
    TIME,
    UNIT,
)  # fmt: skip
from decussa.recording.channel_kind import kinds_of_labels
from decussa.recording.mapping import Mapping
from decussa.recording.text_times import split_unit

#: Arrays with fewer numbers are no signal.
_LEAST_SIZE = 64
_MEANT_OTHERWISE = frozenset(
    {*RATE, *STEP, *TIME, *BEFORE, *AT_SAMPLE, *SAMPLES_BEFORE, *BEFORE_UNCLEAR, *ONSETS, *COLUMNS}
)


@dataclass(frozen=True, slots=True)
class Signal:
    """The arrays that hold the signal: one for all channels, or one for each, all of the same shape."""

    arrays: tuple[NamedArray, ...]
    notes: tuple[str, ...]

    @property
    def lead(self) -> NamedArray:
        """The first array: the others are shaped like it."""
        return self.arrays[0]


def choose_signal(file: ArrayFile, told: Mapping) -> Signal:
    """Return the signal: as a mapping says, else by name.

    Raises
    ------
    RecordingError
        If there is none, or several arrays may be meant.
    """
    candidates = [array for array in file.arrays if _may_be_signal(array)]
    if told.variable:
        named = [array for array in file.arrays if array.name.strip("/") == told.variable.strip("/")]
        if not named:
            raise _refusal(file, f"variable {told.variable!r} of the mapping is not there", file.names)
        return Signal((named[0],), ())
    for words in (SIGNAL[0], None, SIGNAL[1]):
        if words is None:
            named = [array for array in candidates if _channel_kind(array) == "emg"]
            if named and len({array.shape for array in named}) == 1:
                return Signal(tuple(named), ())
        else:
            named = [array for array in candidates if plain_name(array.name) in words]
        if len(named) == 1:
            return Signal((named[0],), ())
        if named:
            raise _refusal(file, "several arrays may be the signal", _say(named))
    rest = [array for array in candidates if _channel_kind(array) == "other"]
    if len(rest) != 1:
        what = "several arrays may be the signal" if rest else "no array of samples"
        raise _refusal(file, what, _say(rest) if rest else file.names)
    return Signal((rest[0],), (f"{rest[0].name} is taken as the signal: it is the only array of its size",))


def find_labels(file: ArrayFile, signal: Signal) -> tuple[str, ...]:
    """Return the names of the channels; none where the file does not tell them."""
    if len(signal.arrays) > 1:
        return tuple(_own_name(array) for array in signal.arrays)
    lists = [found.texts for found in look_up(file, LABELS, signal.lead) if found.texts]
    lists = [_split(texts) for texts in lists]
    fitting = [texts for texts in lists if len(texts) in signal.lead.shape]
    if fitting or lists:
        return (fitting or lists)[0]
    alone = one_text(file, {"muscle"}, signal.lead)
    own = _own_name(signal.lead)
    return (alone,) if alone else (own,) if _kind(own) == "emg" and plain_name(own) not in SIGNAL[0] else ()


def find_units(file: ArrayFile, array: NamedArray, n_channels: int) -> tuple[str, ...]:
    """Return the unit of each channel of an array; empty where the file does not say it."""
    told = next((found.texts for found in look_up(file, UNIT, array) if found.texts), ())
    if len(told) == n_channels:
        return told
    if len(told) == 1:
        return told * n_channels
    unit = split_unit(_last_part(array.name))[1]
    return (unit,) * n_channels


def companions(file: ArrayFile, signal: Signal, n_samples: int) -> tuple[NamedArray, ...]:
    """Return vectors beside a continuous signal that are a trigger or the heart, as long as it is."""
    return tuple(
        array
        for array in file.arrays
        if array not in signal.arrays and array.length == n_samples and _channel_kind(array) in {"trigger", "ecg"}
    )


def _may_be_signal(array: NamedArray) -> bool:
    return array.size >= _LEAST_SIZE and 1 <= len(array.shape) <= 4 and plain_name(array.name) not in _MEANT_OTHERWISE


def _channel_kind(array: NamedArray) -> ChannelKind:
    return _kind(_own_name(array))


def _kind(label: str) -> ChannelKind:
    return kinds_of_labels([label], [False])[0][0]


def _own_name(array: NamedArray) -> str:
    """Return the channel's name that an array has for its own: its last part without the unit."""
    return split_unit(_last_part(array.name))[0]


def _last_part(name: str) -> str:
    return re.split(r"[./]", name)[-1]


def _split(texts: Sequence[str]) -> tuple[str, ...]:
    """Return a list of names, also from one text that holds them parted by comma or semicolon."""
    parted = re.split(r"\s*[,;]\s*", texts[0].strip()) if len(texts) == 1 else list(texts)
    return tuple(parted) if all(parted) else tuple(texts)


def _say(arrays: Sequence[NamedArray]) -> str:
    return ", ".join(f"{array.name} {'x'.join(map(str, array.shape))}" for array in arrays[:8])


def _refusal(file: ArrayFile, what: str, found: str) -> RecordingError:
    return RecordingError(
        what, where=file.path, expected="one array of samples, such as emg", found=found,
        do="name it in a mapping: variable = ...",
    )  # fmt: skip
