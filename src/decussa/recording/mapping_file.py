"""A mapping from its TOML file: every fault is named by line and field, every doubt by its line.

Two marks say that something is not sure. ``"?"`` as a value is a question nobody answered: refused where samples or stimuli
hang on it, otherwise left unsaid. ``# doubt: why`` behind a value is a guess to confirm: it holds, and every measuring says so
until the words are deleted.
"""

from __future__ import annotations

import difflib
import math
import re
import tomllib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, cast

from pydantic import ValidationError

from decussa.model.errors import MachineError, RecordingError
from decussa.model.muscle import MUSCLES, UNKNOWN, Muscle, muscle_and_side
from decussa.protocol.toml_lines import Place, find_lines, line_of
from decussa.recording.mapping import ChannelMapping, Doubt, LabelMapping, Mapping, SheetStyle
from decussa.recording.mapping_schema import (
    COLUMN_WORDS,
    ChannelPart,
    LabelPart,
    MappingFile,
    PulsesPart,
    SheetPart,
    SignalsPart,
)

#: Mappings are small; a greater file is another file.
MOST_BYTES = 1 << 20
#: What a value says that nobody could tell.
UNANSWERED = "?"
#: Questions that must be answered before anything is measured: samples, times or stimuli hang on them.
_NEEDED = frozenset({
    "unit", "rate_hz", "onset_ms", "axes", "variable", "trigger_marks", "stim_type", "isi_ms", "decimal", "delimiter",
    "onset", "kind",
})  # fmt: skip


def read_mapping(path: str | Path) -> Mapping:
    """Read a mapping.

    Parameters
    ----------
    path : str or Path
        A TOML file with the sections of ``docs/mapping.md``.

    Raises
    ------
    RecordingError
        If it is no TOML, a field is unknown or out of range, or a question in it is unanswered that must be answered; the
        message names line, field and what is allowed.
    MachineError
        If it cannot be read.
    """
    file = Path(path)
    text = _read_text(file)
    try:
        raw = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError, ValueError) as error:
        raise RecordingError("mapping is not valid TOML", where=file, found=str(error), do="correct it") from error
    lines = find_lines(text)
    open_questions = list(_take_questions(raw, (), lines))
    needed = [doubt for doubt in open_questions if doubt.field.rsplit(".", 1)[-1] in _NEEDED]
    if needed:
        more = "; also " + ", ".join(f"{d.field} (line {d.line})" for d in needed[1:4]) if len(needed) > 1 else ""
        raise RecordingError(
            f"{needed[0].field} is not answered{more}",
            where=f"{file}, line {needed[0].line}",
            expected="an answer in place of '?'",
            do="fill it in; docs/mapping.md says what is allowed",
        )
    try:
        read = MappingFile.model_validate(raw)
    except (ValidationError, RecursionError) as error:
        raise _refusal(file, error, lines) from error
    return _build(file, read, (*open_questions, *_doubts(text)))


def _read_text(path: Path) -> str:
    try:
        with path.open("rb") as file:
            content = file.read(MOST_BYTES + 1)
    except OSError as error:
        raise MachineError(
            "mapping cannot be read", where=path, found=(error.strerror or str(error)).lower()
        ) from error
    if len(content) > MOST_BYTES:
        raise RecordingError("mapping is too long", where=path, expected=f"at most {MOST_BYTES} bytes", found="more")
    try:
        return content.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        raise RecordingError(
            "mapping is not UTF-8", where=f"{path}, line {line}", found=repr(content[error.start : error.start + 1]),
            do="save it as UTF-8",
        ) from error  # fmt: skip


def _take_questions(node: Any, place: Place, lines: dict[Place, int]) -> Iterator[Doubt]:
    """Yield the values that are a question mark, and take them out."""
    items = list(node.items()) if isinstance(node, dict) else list(enumerate(node)) if isinstance(node, list) else []
    for key, value in items:
        if isinstance(value, (dict, list)):
            if isinstance(value, list) and UNANSWERED in value:
                node[key], value = UNANSWERED, UNANSWERED
            else:
                yield from _take_questions(value, (*place, key), lines)
        known = key in _known_fields() or (place == ("columns",) and key in COLUMN_WORDS)
        if value == UNANSWERED and isinstance(node, dict) and known:
            del node[key]
            yield Doubt(line_of((*place, key), lines), _field((*place, key)), "nobody answered it")


def _doubts(text: str) -> Iterator[Doubt]:
    """Yield the guesses that carry the words ``# doubt:`` behind them."""
    table = ""
    for number, line in enumerate(text.splitlines(), start=1):
        if head := re.match(r"\s*\[\[?\s*([^\]]+?)\s*\]", line):
            table = head[1]
        told = re.match(r"""\s*([\w.-]+)\s*=\s*(?:"(?:[^"\\]|\\.)*"|'[^']*'|[^"'#])*#\s*doubt:\s*(.*)$""", line)
        if told:
            yield Doubt(number, f"{table}.{told[1]}" if table else told[1], told[2].strip() or "a guess")


def _field(place: Place) -> str:
    return ".".join(str(part + 1) if isinstance(part, int) else part for part in place)


def _refusal(path: Path, error: Exception, lines: dict[Place, int]) -> RecordingError:
    if not isinstance(error, ValidationError):
        return RecordingError("mapping is nested too deeply", where=path, do="see docs/mapping.md")
    fault = error.errors()[0]
    place = cast(
        Place, tuple(part for part in fault["loc"] if part != "[key]" and not str(part).startswith("literal["))
    )
    field, kind, given = _field(place) or "mapping", fault["type"], fault.get("input")
    what, expected = f"{field} cannot be meant", fault["msg"].removeprefix("Input should be ").partition(", unable")[0]
    if kind == "extra_forbidden":
        close = difflib.get_close_matches(str(place[-1]), _known_fields(), n=1)
        what, expected = f"{field} is not a known field", repr(close[0]) if close else "a field of docs/mapping.md"
    elif kind == "missing":
        what, expected = f"{field} is missing", "a value"
    elif kind == "value_error":
        what, expected = fault["msg"].removeprefix("Value error, "), ""
    found = "" if isinstance(given, dict) or kind in ("extra_forbidden", "missing", "value_error") else repr(given)[:80]
    return RecordingError(
        what,
        where=f"{path}, line {line_of(place, lines)}",
        expected=expected,
        found=found,
        do="correct the mapping; docs/mapping.md says what is allowed",
    )


def _known_fields() -> list[str]:
    models = (MappingFile, SignalsPart, ChannelPart, PulsesPart, SheetPart, LabelPart)
    return [name for model in models for name in model.model_fields]


def _build(path: Path, read: MappingFile, doubts: tuple[Doubt, ...]) -> Mapping:
    signals = read.signals
    return Mapping(
        path=path,
        unit=signals.unit,
        rate_hz=_number(signals.rate_hz),
        onset_ms=_number(signals.onset_ms),
        axes=signals.axes,
        variable=signals.variable,
        trigger_marks=read.pulses.trigger_marks,
        participant=signals.participant,
        session=signals.session,
        channels=tuple(
            ChannelMapping(
                name=item.name, kind=item.kind, muscle=_muscle(item.muscle),
                side="" if item.side == "midline" else item.side, unit=item.unit,
            )
            for item in read.channels
        ),
        columns=read.columns,
        sheet=SheetStyle(**read.sheet.model_dump()),
        labels=tuple(_label(item) for item in read.labels),
        doubts=tuple(sorted(doubts, key=lambda doubt: doubt.line)),
    )  # fmt: skip


def _label(part: LabelPart) -> LabelMapping:
    return LabelMapping(
        label=part.label,
        stim_type=part.stim_type,
        condition=part.condition,
        intensity_mso=_number(part.intensity_mso),
        cond_intensity_mso=_number(part.cond_intensity_mso),
        isi_ms=_number(part.isi_ms),
        current_ma=_number(part.current_ma),
        contraction_pct=_number(part.contraction_pct),
    )


def _muscle(text: str) -> Muscle:
    """Return the muscle of that name; one of the lab's own keeps its name, with the window of a muscle not known."""
    if not text:
        return UNKNOWN
    known = next((muscle for muscle in MUSCLES if text.lower() in (muscle.key.lower(), muscle.name)), None)
    found = known or muscle_and_side(text)[0]
    return found if found is not UNKNOWN else replace(UNKNOWN, key=text)


def _number(value: float | None) -> float:
    return math.nan if value is None else float(value)
