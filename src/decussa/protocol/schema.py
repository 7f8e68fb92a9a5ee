"""The protocol as a whole: sections, checks at the door, and every fault named by its line."""

from __future__ import annotations

import difflib
import hashlib
import tomllib
from importlib.resources import files
from pathlib import Path
from typing import Annotated, Any, Literal, get_args

from pydantic import Field, ValidationError, model_validator

from decussa.model.errors import ProtocolError, UsageError
from decussa.model.muscle import MUSCLES
from decussa.protocol.screening import KEYS
from decussa.protocol.steps import Section, Step
from decussa.protocol.toml_lines import Place, find_lines, line_of

#: Protocols that come with the program.
SHIPPED: tuple[str, ...] = ("forearm", "lumbar", "hand", "leg", "patient")

_KEYS = {muscle.key for muscle in MUSCLES}
Span = tuple[float, float]


class Study(Section):
    """What the study is."""

    name: Annotated[str, Field(min_length=1)]
    version: str = "1"
    approval: str = ""
    purpose: str = ""


class People(Section):
    """Who may take part, and what must be confirmed before the first pulse."""

    group: Literal["volunteers", "patients"] = "volunteers"
    least_age: Annotated[int, Field(ge=0, le=120)] = 18
    most_age: Annotated[int, Field(ge=0, le=120)] = 65
    time_points: tuple[str, ...] = ()
    intensity_at_later_time_points: Literal["fixed", "set anew"] = "set anew"


class Screening(Section):
    """What the site's ethics approval changes in the screening before stimulation.

    ``review`` names topics that are judged and signed instead of excluded; ``stop`` names topics that are excluded instead of
    judged. Stricter is always possible, looser only with the number of the approval.
    """

    review: tuple[str, ...] = ()
    stop: tuple[str, ...] = ()

    @model_validator(mode="after")
    def _check(self) -> Screening:
        for key in (*self.review, *self.stop):
            if key not in KEYS:
                raise ValueError(f"{key!r} is not a topic of the screening; expected one of {', '.join(KEYS)}")
        return self


class ProtocolMuscle(Section):
    """A muscle of the protocol; ``muscle`` is its key, ``window_ms`` overrides the muscle's own window."""

    muscle: str
    side: Literal["left", "right"]
    stim_side: Literal["left", "right", "midline", ""] = ""
    electrodes: Annotated[str, Field(min_length=1)]
    nerve_reachable: bool = False
    window_ms: Span | None = None
    m_window_ms: Span | None = None
    rest_limit_uv: Annotated[float, Field(gt=0, le=100)] = 10
    target: bool = True

    @property
    def label(self) -> str:
        """Key and side, as channels are named: ``FCR left``."""
        return f"{self.muscle} {self.side}"

    @model_validator(mode="after")
    def _check(self) -> ProtocolMuscle:
        if self.muscle not in _KEYS:
            raise ValueError(f"muscle is not known; expected one of {', '.join(sorted(_KEYS))}")
        for span in (self.window_ms, self.m_window_ms):
            if span is not None and not 0 < span[0] < span[1] <= 400:
                raise ValueError("window must start after 0 and end later, at most at 400 ms")
        return self


class Coil(Section):
    """Coil and how it is held. Coil current and induced brain current are two fields on purpose: they differ.

    ``start_cm`` is where the search for the hotspot begins: from the midline towards the stimulated side, and to the front
    of the vertex.
    """

    type: Annotated[str, Field(min_length=1)]
    size: str = ""
    orientation: str = ""
    coil_current: str = ""
    brain_current: str = ""
    position: str = ""
    start_cm: Span = (0.0, 0.0)
    pulse_shape: str = ""


class Limits(Section):
    """What is never exceeded. The lower of these, the maker's and the approval's limits holds."""

    ceiling_mso: Annotated[float, Field(gt=0, le=100)] = 100
    device_step_mso: Annotated[float, Field(gt=0, le=5)] = 1
    least_interval_s: Annotated[float, Field(ge=1, le=60)] = 5
    interval_s: Span = (5.0, 8.0)
    pulse_total: Annotated[int, Field(ge=1, le=2000)] = 400
    minutes_total: Annotated[float, Field(gt=0, le=300)] = 90
    climb_step_mso: Annotated[float, Field(gt=0, le=20)] = 10
    discomfort_stop: Annotated[int, Field(ge=1, le=10)] = 7

    @model_validator(mode="after")
    def _check(self) -> Limits:
        low, high = self.interval_s
        if not self.least_interval_s <= low <= high:
            raise ValueError("interval_s must rise and not start below least_interval_s")
        return self


class Criterion(Section):
    """When a response counts for the threshold: at least ``size_uv`` in at least ``k`` of ``of``."""

    size_uv: Annotated[float, Field(gt=0)] = 50
    active_size_uv: Annotated[float, Field(gt=0)] = 200
    k: Annotated[int, Field(ge=1, le=20)] = 5
    of: Annotated[int, Field(ge=1, le=20)] = 10

    @model_validator(mode="after")
    def _check(self) -> Criterion:
        if self.k > self.of:
            raise ValueError("k cannot be more than of")
        return self


class Protocol(Section):
    """A written protocol. Read one with ``read_protocol``."""

    study: Study
    people: People = People()
    screening: Screening = Screening()
    muscles: Annotated[tuple[ProtocolMuscle, ...], Field(min_length=1)]
    coil: Coil
    limits: Limits = Limits()
    criterion: Criterion = Criterion()
    steps: Annotated[tuple[Step, ...], Field(min_length=1)]

    @model_validator(mode="after")
    def _check(self) -> Protocol:
        labels = {muscle.label for muscle in self.muscles}
        if self.screening.review and not self.study.approval:
            raise ValueError("screening.review loosens an exclusion: give the number of the approval in study.approval")
        for number, step in enumerate(self.steps, start=1):
            if step.muscle and step.muscle not in labels:
                raise ValueError(
                    f"step {number} names muscle {step.muscle!r}; expected one of {', '.join(sorted(labels))}"
                )
        return self

    def target(self, step: Step) -> ProtocolMuscle:
        """Return the muscle a step is about: the one it names, or the first."""
        return next((muscle for muscle in self.muscles if muscle.label == step.muscle), self.muscles[0])


def read_protocol(text: str, *, where: str | Path = "protocol") -> Protocol:
    """Check a protocol's text and return it as records.

    Raises
    ------
    ProtocolError
        Listing every fault: its line, its field, what is allowed, what was found.
    """
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ProtocolError(where, (f"not valid TOML: {error}.",)) from error
    try:
        return Protocol.model_validate(raw)
    except ValidationError as error:
        lines = find_lines(text)
        problems = sorted({_describe(dict(fault), lines) for fault in error.errors() if not _is_echo(dict(fault))})
        raise ProtocolError(where, tuple(problem for _, problem in problems)) from error


def load_protocol(name_or_path: str | Path) -> tuple[Protocol, str]:
    """Return a shipped protocol by name, or one from a file, with its text.

    Raises
    ------
    UsageError
        If it is neither a shipped name nor a file that can be read.
    ProtocolError
        If it has faults.
    """
    text = protocol_text(name_or_path)
    return read_protocol(text, where=name_or_path), text


def protocol_text(name_or_path: str | Path) -> str:
    """Return the text of a shipped protocol, or of a file."""
    if str(name_or_path) in SHIPPED:
        return (files("decussa.protocol") / "shipped" / f"{name_or_path}.toml").read_text(encoding="utf-8")
    try:
        return Path(name_or_path).read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise UsageError(
            "protocol cannot be read",
            where=name_or_path,
            expected=f"one of {', '.join(SHIPPED)}, or a TOML file",
            found=getattr(error, "strerror", None) or "text that is not UTF-8",
        ) from error


def protocol_hash(text: str) -> str:
    """Return the SHA-256 of a protocol's text, by which a session names the version it followed."""
    return hashlib.sha256(text.encode()).hexdigest()


def _describe(fault: dict[str, Any], lines: dict[Place, int]) -> tuple[int, str]:
    """Return a fault's line and its sentence."""
    place = tuple(part for part in fault["loc"] if not _is_kind(part, fault["loc"]))
    line = line_of(place, lines)
    field = ".".join(str(part + 1) if isinstance(part, int) else part for part in place) or "protocol"
    kind, given = fault["type"], fault.get("input")
    if kind == "extra_forbidden":
        said = f"is not a known field{_nearest(str(place[-1]), fault['loc'])}"
    elif kind == "missing":
        said = "is missing"
    elif kind == "union_tag_not_found":
        field, said = f"{field}.kind", "is missing"
    elif kind == "union_tag_invalid":
        field, said = (
            f"{field}.kind",
            f"is not a kind of step; expected {fault['ctx']['expected_tags']}; found {fault['ctx']['tag']!r}",
        )
    else:
        message = fault["msg"].removeprefix("Value error, ").removeprefix("Input should be ")
        message = message.partition(", unable to")[0]
        found = "" if isinstance(given, dict) else f"; found {given!r}"
        said = f"{message if kind == 'value_error' else 'expected ' + message}{found}"
    return line, f"line {line}, {field}: {said}."


def _is_echo(fault: dict[str, Any]) -> bool:
    """Pydantic calls a list too short when its items are at fault; the items speak for themselves."""
    return fault["type"] == "too_short" and bool(fault.get("input"))


def _is_kind(part: str | int, place: tuple[str | int, ...]) -> bool:
    """Pydantic puts the kind of a step into the place; the text has no such level."""
    return len(place) > 2 and place[0] == "steps" and part == place[2]


def _nearest(name: str, place: tuple[str | int, ...]) -> str:
    known = sorted(_fields_at(place))
    close = difflib.get_close_matches(name, known, n=1)
    return f"; did you mean {close[0]!r}" if close else f"; known are {', '.join(known)}" if known else ""


def _fields_at(place: tuple[str | int, ...]) -> set[str]:
    """Return the fields that exist where an unknown one was found."""
    model: Any = Protocol
    for part in place[:-1]:
        if isinstance(part, int):
            continue
        if part in getattr(model, "model_fields", {}):
            model = _inner(model.model_fields[part].annotation)
        elif isinstance(model, dict):
            model = model.get(part, Section)
    return set(getattr(model, "model_fields", {}))


def _inner(annotation: Any) -> Any:
    """Return the model behind an annotation; for the union of steps, the models by their kind."""
    parts = [annotation]
    while parts:
        part = parts.pop()
        if isinstance(part, type) and issubclass(part, Section):
            return part
        inside = [inner for inner in getattr(part, "__args__", ()) if inner is not Ellipsis]
        kinds = {
            get_args(inner.model_fields["kind"].annotation)[0]: inner
            for inner in inside
            if isinstance(inner, type) and issubclass(inner, Section) and "kind" in inner.model_fields
        }
        if kinds:
            return kinds
        parts.extend(inside)
    return Section
