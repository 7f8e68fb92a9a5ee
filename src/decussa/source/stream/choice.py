"""Which of the streams that are there are meant, and what their channels are: pure, and refused where it is not clear."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from decussa.model.errors import RecordingError, UsageError
from decussa.model.muscle import muscle_and_side
from decussa.model.recording import Channel, ChannelKind
from decussa.model.units import microvolt_factor
from decussa.source.stream.description import Description, Line
from decussa.source.stream.settings import EmgStream, Markers, StreamSettings, Torque, Trigger


@dataclass(frozen=True, slots=True)
class Wired:
    """One channel that is listened to: its place in the stream, what it is, and the factor to its unit inside."""

    row: int
    channel: Channel
    factor: float


@dataclass(frozen=True, slots=True)
class Device:
    """A stream of samples and its channels."""

    stream: Description
    wired: tuple[Wired, ...]


@dataclass(frozen=True, slots=True)
class Wiring:
    """All that a session listens to; the first device holds the trigger channel, and the torque where it has no own stream."""

    devices: tuple[Device, ...]
    markers: Description | None = None
    torque: Device | None = None


def wire(settings: StreamSettings, found: Sequence[Description], muscles: Sequence[str]) -> Wiring:
    """Choose streams and channels.

    Parameters
    ----------
    found : sequence of Description
        The streams that are there.
    muscles : sequence of str
        Labels of the protocol's muscles (``FCR left``).

    Raises
    ------
    UsageError
        If a stream is missing, or several fit, or a channel, unit or rate is not what is needed.
    """
    streams = [_one(found, choice, "an EMG stream") for choice in settings.emg]
    devices = [_emg(choice, stream, muscles) for choice, stream in zip(settings.emg, streams, strict=True)]
    wired = [one.channel.name for device in devices for one in device.wired]
    missing = [muscle for muscle in muscles if muscle not in wired]
    if missing:
        raise UsageError(
            f"no channel is known for {', '.join(missing)}",
            where=", ".join(stream.words for stream in streams),
            expected="a channel for every muscle of the protocol",
            found=", ".join(line.label for stream in streams for line in stream.lines),
            do="name it under channels in streams.toml",
        )
    rates = {stream.rate_hz for stream in streams}
    if len(rates) > 1:
        raise UsageError("EMG streams differ in rate", expected="one rate", found=", ".join(f"{r:g} Hz" for r in rates))
    first = _with_trigger(devices[0], settings.trigger)
    torque = None
    if settings.torque is not None and settings.torque.name:
        stream = _one(found, settings.torque, "a torque stream")
        _must_have_rate(stream, "torque stream")
        torque = Device(stream, (_plain(stream, settings.torque.channel or stream.lines[0].label),))
    elif settings.torque is not None:
        first = replace(first, wired=(*first.wired, _plain(first.stream, settings.torque.channel)))
    markers = _one(found, settings.markers, "a marker stream") if settings.markers is not None else None
    if markers is not None and not markers.is_text:
        raise UsageError("marker stream holds no text", where=markers.words)
    return Wiring((first, *devices[1:]), markers, torque)


def _one(found: Sequence[Description], choice: EmgStream | Markers | Torque, what: str) -> Description:
    """Return the one stream that fits a choice."""
    kind = choice.type
    wants_text = isinstance(choice, Markers)
    fits = [
        stream
        for stream in found
        if (not choice.name or stream.name == choice.name)
        and (not kind or stream.type.lower() == kind.lower())
        and (not choice.source_id or stream.source_id == choice.source_id)
        and stream.is_text == wants_text
    ]
    if len(fits) == 1:
        return fits[0]
    meant = ", ".join(part for part in (choice.name and f"name {choice.name}", kind and f"type {kind}") if part)
    if not fits:
        raise UsageError(
            f"{what} is not there",
            expected=meant or "any",
            found=", ".join(stream.words for stream in found) or "no stream at all",
            do="start its sender, or name another in streams.toml",
        )
    raise UsageError(
        f"{len(fits)} streams fit where {what} is meant",
        expected=f"one with {meant}",
        found=", ".join(stream.words for stream in fits),
        do="stop one of them, or name the right one's source_id in streams.toml",
    )


def _emg(choice: EmgStream, stream: Description, muscles: Sequence[str]) -> Device:
    _must_have_rate(stream, "EMG stream")
    if choice.channels:
        rows = {muscle: _row(stream, label) for muscle, label in choice.channels.items()}
    else:
        rows = {
            muscle: row for row, line in enumerate(stream.lines) if (muscle := _muscle_of(line, muscles)) is not None
        }
    return Device(stream, tuple(_muscle(choice, stream, row, muscle) for muscle, row in rows.items()))


def _must_have_rate(stream: Description, what: str) -> None:
    if stream.rate_hz <= 0:
        raise UsageError(f"{what} announces no rate", where=stream.words, do="have its sender announce one")


def _muscle_of(line: Line, muscles: Sequence[str]) -> str | None:
    """Return which muscle of the protocol a channel's label names."""
    if line.label in muscles:
        return line.label
    muscle, side = muscle_and_side(line.label)
    label = f"{muscle.key} {side}".strip()
    return label if label in muscles else None


def _muscle(choice: EmgStream, stream: Description, row: int, label: str) -> Wired:
    line = stream.lines[row]
    factor = _factor(line.unit or choice.unit, stream, line)
    if choice.unit and line.unit and _factor(choice.unit, stream, line) != factor:
        raise UsageError(
            "unit differs from what the stream says",
            where=f"{stream.words}, channel {line.label}",
            expected=line.unit,
            found=choice.unit,
            do="leave it out of streams.toml, or correct the sender",
        )
    muscle, side = muscle_and_side(label)
    channel = Channel(
        name=label,
        kind="emg",
        rate_hz=stream.rate_hz,
        unit=line.unit or choice.unit,
        muscle=muscle,
        side=side,
        low_uv=line.low * factor,
        high_uv=line.high * factor,
    )
    return Wired(row, channel, factor)


def _factor(unit: str, stream: Description, line: Line) -> float:
    """Return microvolts per unit; a unit that is not known, or not said, is refused."""
    try:
        return microvolt_factor(unit)
    except RecordingError as error:
        raise UsageError(
            error.what,
            where=f"{stream.words}, channel {line.label}",
            expected=error.expected,
            found=error.found,
            do="have the sender say it, or name it as unit under [[emg]] in streams.toml, if you know it for certain",
        ) from None


def _with_trigger(device: Device, trigger: Trigger) -> Device:
    lines = device.stream.lines
    rows = [row for row, line in enumerate(lines) if "trigger" in (line.type.lower(), line.label.lower())]
    if trigger.channel:
        row = _row(device.stream, trigger.channel)
    elif len(rows) == 1:
        row = rows[0]
    elif rows:
        raise UsageError(
            "several channels are called trigger",
            where=device.stream.words,
            found=", ".join(lines[row].label for row in rows),
            do="name the right one under [trigger] in streams.toml",
        )
    else:
        return device
    return replace(device, wired=(*device.wired, _plain(device.stream, lines[row].label, kind="trigger")))


def _plain(stream: Description, label: str, kind: ChannelKind = "other") -> Wired:
    """Return a channel that is no EMG, in its own unit."""
    row = _row(stream, label)
    line = stream.lines[row]
    return Wired(row, Channel(name=line.label, kind=kind, rate_hz=stream.rate_hz, unit=line.unit), 1.0)


def _row(stream: Description, label: str) -> int:
    rows = [row for row, line in enumerate(stream.lines) if line.label == label]
    if len(rows) != 1:
        raise UsageError(
            f"{'no channel' if not rows else 'more than one channel'} has this label",
            where=stream.words,
            expected=", ".join(line.label for line in stream.lines),
            found=repr(label),
            do="correct it in streams.toml",
        )
    return rows[0]
