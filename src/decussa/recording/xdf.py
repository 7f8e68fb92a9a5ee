"""A recording from an XDF file: streams on one clock, each at its own rate, with markers where they came.

Clock offsets are applied by pyxdf, as a straight line for each stretch between resets. Regular streams are then laid on an even
rate, stretch by stretch: a step in their stamps beyond ``GAP_S`` is a gap, and no sweep is joined across it.
"""

from __future__ import annotations

import logging
from collections.abc import Mapping as Table
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from decussa.model.errors import MissingPartError, RecordingError
from decussa.model.recording import Channel, Recording
from decussa.model.units import is_voltage
from decussa.recording.array_file import Held, NamedArray, Numbers
from decussa.recording.array_signals import ArrayLine, ContinuousArrays
from decussa.recording.arrays import check_lines
from decussa.recording.channel_kind import kind_of_type, kinds_of_labels, make_channel, uv_per_unit
from decussa.recording.edf_stamps import Annotation
from decussa.recording.mapping import NO_MAPPING, Mapping
from decussa.recording.sheet import Sheet
from decussa.recording.stimuli import find_stimuli
from decussa.recording.timeline import Timeline, check_gaps, say_gaps, timeline_of_stamps
from decussa.recording.trigger import trigger_edges_s
from decussa.recording.xdf_check import MAGIC, check_xdf

#: Stamps of one stream scatter by some milliseconds, since they are taken when a packet arrives; a longer step is a gap.
#: Common practice, no source.
GAP_S = 0.02
#: Scatter of stamps that is worth a note.
_SCATTER_S = 1e-3
#: Rate and number of samples may differ by this part before samples must have been lost.
_RATE_TOLERANCE = 5e-3


@dataclass(frozen=True, slots=True, eq=False)
class _Stream:
    """A regular stream: name, samples (n_samples, n_channels), stamps in seconds, rate named, channels' labels, units, types."""

    name: str
    type: str
    samples: Numbers
    stamps_s: Numbers
    nominal_hz: float
    labels: tuple[str, ...]
    units: tuple[str, ...]
    types: tuple[str, ...]


def is_xdf(first_bytes: bytes) -> bool:
    """Return whether a file that starts with these bytes is XDF."""
    return first_bytes.startswith(MAGIC)


def read_xdf(path: Path, events: Sheet | None = None, mapping: Mapping = NO_MAPPING) -> Recording:
    """Read an XDF file; it is held in memory as a whole, up to ``xdf_check.XDF_BYTES``.

    Raises
    ------
    RecordingError
        If the file is damaged or too large, or no stream is EMG.
    MissingPartError
        If the group that reads XDF is not installed.
    """
    regular, markers, pulses = _sort(path, _load(path))
    channels, lines, timelines, notes, zero_s = _channels(path, regular, mapping)
    mapping.check_channels([channel.name for channel in channels], where=path)
    signals = ContinuousArrays(lines=tuple(lines), timelines=tuple(timelines))
    check_lines(path, channels, lines)
    duration_s = max(timeline.end_s for timeline in timelines)
    return Recording(
        name=path.name,
        path=str(path),
        channels=tuple(channels),
        events=find_stimuli(
            where=str(path),
            duration_s=duration_s,
            sheet=events,
            trigger_edges=lambda: trigger_edges_s(channels, signals) or [round(at - zero_s, 9) for at in pulses],
            annotations=[Annotation(round(note.onset_s - zero_s, 9), note.text) for note in markers],
        ),
        signals=signals,
        participant=mapping.participant or path.stem,
        session=mapping.session,
        duration_s=duration_s,
        notes=(*notes, *mapping.notes),
    )


def _load(path: Path) -> list[dict[str, Any]]:
    try:
        import pyxdf
    except ImportError as error:
        raise MissingPartError(
            "XDF needs a part that is not installed", do="in the program's folder: pip install '.[formats]'"
        ) from error
    check_xdf(path)
    logging.getLogger("pyxdf").setLevel(logging.CRITICAL)
    try:
        with path.open("rb") as file, np.errstate(all="ignore"):
            streams, _ = pyxdf.load_xdf(file, dejitter_timestamps=False, synchronize_clocks=True)
    except (ValueError, TypeError, KeyError, IndexError, AttributeError, ArithmeticError, RuntimeError, EOFError, OSError,
            UnicodeError, SyntaxError, np.linalg.LinAlgError) as error:  # fmt: skip
        raise RecordingError(
            "XDF file cannot be read", where=path, expected="streams as XDF 1.0 has them", found=str(error)[:200],
            do="copy or record the file again",
        ) from error  # fmt: skip
    return list(streams)


def _sort(path: Path, streams: list[dict[str, Any]]) -> tuple[list[_Stream], list[Annotation], list[float]]:
    """Return regular streams, texts in order of time, and times of irregular numbers that are triggers."""
    regular: list[_Stream] = []
    texts: list[Annotation] = []
    pulses: list[float] = []
    for stream in streams:
        info = stream["info"]
        stamps = np.asarray(stream["time_stamps"], dtype=np.float64)
        name, kind = str(info["name"][0] or "stream"), str((info.get("type") or [""])[0] or "")
        if not stamps.size:
            continue
        if not np.isfinite(stamps).all():
            raise RecordingError(
                f"stream {name} has times that are no numbers", where=path, do="copy or record the file again"
            )
        # Markers are told by their format: their type and rate are written in many ways.
        if info["channel_format"][0] == "string":
            texts += [Annotation(float(at), str(row[0])) for at, row in zip(stamps, stream["time_series"], strict=True)]
        elif float(info["nominal_srate"][0]) > 0:
            regular.append(_regular(name, kind, stream, stamps))
        elif kinds_of_labels([f"{name} {kind}"], [False])[0][0] == "trigger":
            codes = np.asarray(stream["time_series"], dtype=np.float64)[:, 0]
            pulses += stamps[codes != 0].tolist()
    return regular, sorted(texts, key=lambda note: note.onset_s), sorted(pulses)


def _regular(name: str, kind: str, stream: dict[str, Any], stamps: Numbers) -> _Stream:
    info, samples = stream["info"], np.asarray(stream["time_series"])
    described = _described(info, samples.shape[1])
    labels = tuple(str(item.get("label") or "") for item in described)
    if not all(labels) or len(set(labels)) != len(labels):
        labels = (
            (name,) if samples.shape[1] == 1 else tuple(f"{name} {number}" for number in range(1, samples.shape[1] + 1))
        )
    return _Stream(
        name=name, type=kind, samples=samples, stamps_s=stamps, nominal_hz=float(info["nominal_srate"][0]), labels=labels,
        units=tuple(str(item.get("unit") or "") for item in described),
        types=tuple(str(item.get("type") or kind) for item in described),
    )  # fmt: skip


def _described(info: Table[str, Any], count: int) -> list[dict[str, str]]:
    """Return what the header says of each channel, as ``desc/channels/channel``; empty where it does not say it of all."""
    node: Any = info.get("desc")
    for step in ("channels", "channel"):
        node = node[0].get(step) if isinstance(node, list) and node and isinstance(node[0], dict) else None
    if not isinstance(node, list) or len(node) != count or not all(isinstance(item, dict) for item in node):
        return [{}] * count
    return [{key: value[0] for key, value in item.items() if value and isinstance(value[0], str)} for item in node]


def _channels(
    path: Path, streams: list[_Stream], mapping: Mapping
) -> tuple[list[Channel], list[ArrayLine], list[Timeline], list[str], float]:
    """Return channels, where their samples are and when they were taken, notes, and the time of the recording's start."""
    labels = [label for stream in streams for label in stream.labels]
    twice = {label for label in labels if labels.count(label) > 1}
    names = {
        (stream.name, label): f"{stream.name} {label}" if label in twice else label
        for stream in streams
        for label in stream.labels
    }
    told = list(names.values())
    if len(told) != len(labels) or len(set(told)) != len(told):
        raise RecordingError(
            "two channels have one name", where=path, found=", ".join(sorted(twice)), do="rename one of the streams"
        )
    units = [unit for stream in streams for unit in stream.units]
    kinds, guessed = kinds_of_labels(told, [is_voltage(unit) for unit in units], mapping)
    types = [kind for stream in streams for kind in stream.types]
    said = [kind_of_type(kind) for kind in types]
    if "emg" in said:
        guessed = ()
    kind_of = {
        name: mapping.channel(name).kind or (one if one != "other" else kind)
        for name, one, kind in zip(told, said, kinds, strict=True)
    }
    if "emg" not in kind_of.values():
        raise RecordingError(
            "no EMG channel", where=path, expected="a stream of type EMG, or a muscle in a label",
            found=", ".join(told[:8]) or "no regular stream",
            do="say in a mapping which channel is what",
        )  # fmt: skip
    chosen = [[kind_of[names[stream.name, label]] for label in stream.labels] for stream in streams]
    zero_s = min(float(stream.stamps_s[0]) for stream, own in zip(streams, chosen, strict=True) if "emg" in own)
    channels: list[Channel] = []
    lines: list[ArrayLine] = []
    timelines: list[Timeline] = []
    notes = list(guessed)
    for stream, own in zip(streams, chosen, strict=True):
        timeline, more = _timeline(path, stream, zero_s)
        if not {"emg", "trigger", "ecg"} & set(own):
            continue
        notes += more
        samples = NamedArray(
            name=stream.name,
            shape=stream.samples.shape,
            itemsize=stream.samples.dtype.itemsize,
            source=Held({stream.name: stream.samples}),
        )
        for index, (label, kind) in enumerate(zip(stream.labels, own, strict=True)):
            name = names[stream.name, label]
            unit = mapping.channel(name).unit or stream.units[index]
            factor = uv_per_unit(kind, unit, where=f"{path}, channel {name}")
            channels.append(make_channel(name, kind, unit, timeline.rate_hz, mapping))
            lines.append(ArrayLine(array=samples, axes=("sample", "channel"), index=index, uv_per_unit=factor))
            timelines.append(timeline)
    return channels, lines, timelines, notes, zero_s


def _timeline(path: Path, stream: _Stream, zero_s: float) -> tuple[Timeline, list[str]]:
    timeline, scatter_s = timeline_of_stamps(
        stream.stamps_s - zero_s, nominal_hz=stream.nominal_hz, tolerance_s=GAP_S, where=f"{path}, stream {stream.name}"
    )
    check_gaps(abs(float(timeline.start_s[0])), f"{path}, stream {stream.name}")
    notes = [*say_gaps(f"stream {stream.name}", timeline.gap_count)]
    if scatter_s > _SCATTER_S:
        notes.append(
            f"time stamps of stream {stream.name} scatter by up to {scatter_s * 1e3:.1f} ms about an even rate"
        )
    if abs(timeline.rate_hz / stream.nominal_hz - 1) > _RATE_TOLERANCE:
        rates = f"{timeline.rate_hz:.6g} Hz, not at the {stream.nominal_hz:g} Hz that it names"
        notes.append(f"stream {stream.name} came at {rates}: samples may be missing")
    return timeline, notes
