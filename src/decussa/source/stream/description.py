"""What a stream says about itself: name, type, rate, and label, unit and type of its channels."""

from __future__ import annotations

import math
import xml.etree.ElementTree as Tree
from dataclasses import dataclass

from decussa.model.errors import RecordingError


@dataclass(frozen=True, slots=True)
class Line:
    """One channel of a stream as its description has it; empty text is "not said".

    ``low`` and ``high`` are the ends of the converter's range in the channel's unit, infinite where not said.
    """

    label: str
    unit: str = ""
    type: str = ""
    low: float = -math.inf
    high: float = math.inf


@dataclass(frozen=True, slots=True, kw_only=True)
class Description:
    """A stream as it describes itself.

    ``rate_hz`` is 0 for markers. ``uid`` changes whenever the sender begins anew, ``source_id`` stays. ``virtual`` says that
    the sender declares itself invented; ``control`` then names the stream on which it listens.
    """

    name: str
    type: str
    source_id: str
    uid: str
    host: str
    rate_hz: float
    is_text: bool
    lines: tuple[Line, ...]
    virtual: bool = False
    control: str = ""

    @property
    def words(self) -> str:
        """Name, type and sender, for messages."""
        return f"{self.name or 'no name'} ({self.type or 'no type'}) from {self.source_id or self.host or 'a sender without id'}"

    def is_same_sender(self, other: Description) -> bool:
        """Whether another stream is this one, begun anew."""
        return (self.name, self.type, self.source_id, self.lines, self.rate_hz) == (
            other.name,
            other.type,
            other.source_id,
            other.lines,
            other.rate_hz,
        )


def read_description(xml: str) -> Description:
    """Read a description, as the library gives it in XML.

    Raises
    ------
    RecordingError
        If it cannot be read, or lists another number of channels than the stream has.
    """
    try:
        root = Tree.fromstring(xml)
    except Tree.ParseError as error:
        raise RecordingError("description of a stream cannot be read", found=str(error)) from None
    count = int(_text(root, "channel_count") or 0)
    listed = root.findall("desc/channels/channel")
    name = _text(root, "name")
    if listed and len(listed) != count:
        raise RecordingError(
            "description lists another number of channels than the stream has",
            where=f"stream {name}",
            expected=str(count),
            found=str(len(listed)),
            do="correct what the sender writes about its channels",
        )
    return Description(
        name=name,
        type=_text(root, "type"),
        source_id=_text(root, "source_id"),
        uid=_text(root, "uid"),
        host=_text(root, "hostname"),
        rate_hz=float(_text(root, "nominal_srate") or 0.0),
        is_text=_text(root, "channel_format") == "string",
        lines=tuple(_line(channel) for channel in listed) or tuple(Line(str(number)) for number in range(1, count + 1)),
        virtual=_text(root, "desc/invented") == "yes",
        control=_text(root, "desc/control"),
    )


def _line(channel: Tree.Element) -> Line:
    low, high = _text(channel, "range/low"), _text(channel, "range/high")
    return Line(
        _text(channel, "label"),
        _text(channel, "unit"),
        _text(channel, "type"),
        float(low) if low else -math.inf,
        float(high) if high else math.inf,
    )


def _text(root: Tree.Element, place: str) -> str:
    return (root.findtext(place) or "").strip()
