"""Which streams a study listens to: from its ``streams.toml``, or guessed from the muscles of its protocol."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from typing import Annotated, Literal

from pydantic import Field, ValidationError

from decussa.model.errors import UsageError
from decussa.protocol.steps import Section
from decussa.protocol.toml_lines import find_lines, line_of

Marks = Literal["every pulse", "first pulse", "test pulse"]
Seconds = Annotated[float, Field(gt=0, le=3600)]


class EmgStream(Section):
    """One device: which stream, and which of its channels are which muscles.

    ``name``, ``type`` and ``source_id`` are what the stream must say of itself; empty fits any. ``channels`` leads from the
    label of a muscle (``FCR left``) to the label of a channel; empty: channels are known by their labels. ``unit`` is that
    of the channels, only where the stream says none.
    """

    name: str = ""
    type: str = "EMG"
    source_id: str = ""
    channels: Mapping[str, str] = Field(default_factory=dict)
    unit: str = ""


class Trigger(Section):
    """The trigger channel of the first EMG stream.

    ``channel`` is its label; empty: the one channel whose type or label says ``trigger``. ``marks`` says what makes an
    edge: every pulse, or only the first or the last of a pair. ``level`` is how far from rest an edge is, in the
    channel's unit; NaN: learnt.
    """

    channel: str = ""
    marks: Marks = "every pulse"
    level: Annotated[float, Field(gt=0)] = math.nan


class Markers(Section):
    """A marker stream that tells of pulses, used where no trigger channel does; ``text`` is how such a marker begins."""

    name: str = ""
    type: str = "Markers"
    source_id: str = ""
    text: str = ""
    marks: Marks = "every pulse"


class Torque(Section):
    """The channel of torque or force: of the stream of this name, or of the first EMG stream where the name is empty."""

    name: str = ""
    type: str = ""
    source_id: str = ""
    channel: str = ""


class StreamSettings(Section):
    """What to listen to, and how long to wait.

    Parameters
    ----------
    emg : tuple of EmgStream
        The devices; the first has the trigger channel.
    patience_s : float
        So long is a pulse waited for after it was asked for.
    stall_s : float
        Silence that is said to be a stall.
    find_s : float
        So long are streams looked for.
    keep_s : float
        Seconds that stay in memory.
    this_machine_only : bool
        Whether streams of other machines are left alone.
    """

    emg: Annotated[tuple[EmgStream, ...], Field(min_length=1)] = (EmgStream(),)
    trigger: Trigger = Trigger()
    markers: Markers | None = None
    torque: Torque | None = None
    patience_s: Seconds = 60.0
    stall_s: Seconds = 0.5
    find_s: Seconds = 5.0
    keep_s: Annotated[float, Field(ge=10, le=3600)] = 60.0
    this_machine_only: bool = False

    @property
    def is_unmistakable(self) -> bool:
        """Whether every stream is named by what no other sender may have."""
        own = (self.markers, self.torque if self.torque is not None and self.torque.name else None)
        return all(one.source_id for one in (*self.emg, *own) if one is not None)


def read_settings(text: str, *, where: str) -> StreamSettings:
    """Read ``streams.toml``.

    Raises
    ------
    UsageError
        If it is no TOML, or a section or field is not known or of the wrong kind; the first fault is named with its line.
    """
    try:
        return StreamSettings.model_validate(tomllib.loads(text))
    except tomllib.TOMLDecodeError as error:
        raise UsageError("file cannot be read", where=where, expected="TOML", found=str(error)) from None
    except ValidationError as refused:
        fault = refused.errors()[0]
        line = line_of(tuple(fault["loc"]), find_lines(text))
        field = ".".join(str(part) for part in fault["loc"])
        raise UsageError(
            f"{field}: {fault['msg']}", where=f"{where}, line {line}", found=repr(fault["input"])
        ) from None
