"""A continuous recording from a text file: a column for each channel."""

from __future__ import annotations

import math
import re
from pathlib import Path

import numpy as np

from decussa.model.errors import RecordingError
from decussa.model.recording import Channel, Recording
from decussa.model.units import microvolt_factor
from decussa.recording.bids import find_sidecars
from decussa.recording.channel_kind import kinds_of_labels, make_channel
from decussa.recording.edf_header import GREATEST_RATE_HZ
from decussa.recording.held_signals import HeldSamples
from decussa.recording.mapping import NO_MAPPING, Mapping
from decussa.recording.sheet import Sheet
from decussa.recording.stimuli import find_stimuli
from decussa.recording.text_head import TextHead, numbers, read_frame
from decussa.recording.text_times import rate_of_times, split_unit
from decussa.recording.trigger import trigger_edges_s

#: The unit of samples nobody gave a unit to.
COUNTS = "counts"


def read_continuous(path: Path, head: TextHead, events: Sheet | None, mapping: Mapping = NO_MAPPING) -> Recording:
    """Read a continuous recording; samples without a unit are read as counts, and refused once a stimulus is to be measured.

    Raises
    ------
    RecordingError
        If rate, samples or unit cannot be believed.
    """
    frame = read_frame(path, head)
    names = list(frame.columns)
    time = next((name for name in names if str(name).lower() in {"time_ms", "time_s"}), None)
    columns = [name for name in names if name != time]
    values = numbers(frame, columns, path, lines=head.lines)
    if not np.isfinite(values).all():
        row = int(np.flatnonzero(~np.isfinite(values).all(axis=1))[0])
        raise RecordingError(
            "sample is missing", where=f"{path}, line {head.lines + row + 1 + bool(head.columns)}", expected="a number"
        )
    if time is None:
        rate_hz = _told_rate(path, head) if math.isnan(mapping.rate_hz) else mapping.rate_hz
    else:
        times = numbers(frame, [time], path, lines=head.lines)[:, 0]
        rate_hz = rate_of_times(times * (1.0 if time.lower() == "time_ms" else 1e3), path)
    channels, samples, notes = _channels(path, head, [str(name) for name in columns], values, rate_hz, mapping)
    signals = HeldSamples(samples, rate_hz)
    duration_s = len(frame) / rate_hz
    found = find_stimuli(
        where=str(path),
        duration_s=duration_s,
        sheet=events,
        trigger_edges=lambda: trigger_edges_s(channels, signals),
        annotations=(),
    )
    if found and any(channel.kind == "emg" and channel.unit == COUNTS for channel in channels):
        raise RecordingError(
            "unit of the signal is not known",
            where=path,
            expected="V, mV, uV or nV",
            found="no unit",
            do="add a comment such as '# unit: mV' at the top",
        )
    beside = find_sidecars(path)
    return Recording(
        name=beside.name,
        path=str(path),
        channels=channels,
        events=found,
        signals=signals,
        participant=mapping.participant or beside.participant or path.stem,
        session=mapping.session or beside.session,
        duration_s=duration_s,
        notes=(*notes, *mapping.notes),
    )


def _told_rate(path: Path, head: TextHead) -> float:
    name, text = next(
        (name, said) for name, said in head.said.items() if re.match(r"(sampling )?(rate|freq)|fs\b", name)
    )
    number = re.match(r"[-+]?\d+(?:[.,]\d+)?(?:[eE][-+]?\d+)?", text)
    rate_hz = (
        float(number[0].replace(",", ".")) * (1e3 if "khz" in f"{name} {text}".lower() else 1.0) if number else math.nan
    )
    if not 0 < rate_hz <= GREATEST_RATE_HZ:
        raise RecordingError(
            "sampling rate cannot be known", where=path, expected=f"a number above 0 and up to {GREATEST_RATE_HZ:g} Hz",
            found=repr(text), do="correct the comment at the top",
        )  # fmt: skip
    return rate_hz


def _channels(
    path: Path, head: TextHead, names: list[str], values: np.ndarray, rate_hz: float, mapping: Mapping
) -> tuple[tuple[Channel, ...], np.ndarray, tuple[str, ...]]:
    labels = (
        names if head.columns else [label.strip() for label in re.split(r"[,;\t]", head.value("labels", "channels"))]
    )
    if len(labels) != len(names) or not all(labels):
        labels = [f"channel {number}" for number in range(1, len(names) + 1)]
    split = [split_unit(label) for label in labels]
    told = head.value("unit", "units")
    mapping.check_channels([name for name, _ in split], where=path)
    kinds, notes = kinds_of_labels([name for name, _ in split], [True] * len(names), mapping)
    samples = np.empty((len(names), len(values)), dtype=np.float32)
    channels = []
    for index, (name, unit) in enumerate(split):
        unit = mapping.channel(name).unit or unit or told
        factor = microvolt_factor(unit, where=f"{path}, channel {name}") if unit and kinds[index] == "emg" else 1.0
        samples[index] = values[:, index] * factor
        if kinds[index] == "emg" and np.ptp(samples[index]) == 0:
            raise RecordingError(
                f"channel {name} is constant", where=path, expected="a signal that moves",
                found=f"{values[0, index]:g} throughout", do="check its electrode, or leave the channel out",
            )  # fmt: skip
        channels.append(make_channel(name, kinds[index], unit or COUNTS, rate_hz, mapping))
    if any(channel.unit == COUNTS and channel.kind == "emg" for channel in channels):
        notes = (*notes, "no unit is given: samples are converter counts, not microvolt")
    return tuple(channels), samples, notes
