"""Records to JSON text and sweeps to bytes, there and back exactly.

Numbers and texts are JSON's own; a tuple is a list; NaN and the infinities are ``{"@": "float", "is": "nan"}``; a record
is an object whose ``@`` names its type. A mapping stays an object; its keys that begin with ``@`` get one more.
The text is ASCII, so that a changed byte can never turn into a decoding error instead of a wrong hash.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from typing import NoReturn, get_args

import numpy as np

from decussa.model.dialogue import Reply, Request
from decussa.model.errors import RecordingError, UsageError
from decussa.model.estimate import Estimate, SilentPeriod
from decussa.model.stimulus import Stimulus
from decussa.model.sweep import Sweep
from decussa.model.trial import Verdict
from decussa.quality.finding import Finding
from decussa.store.records import Body, Event, Measured

VERSION = 1
SWEEP_MARK = b"SWEEP"
_PARTS: tuple[type, ...] = (Stimulus, Verdict, Estimate, SilentPeriod, Measured, Finding)
RECORDS: dict[str, type] = {
    record.__name__: record for record in (*get_args(Request), *get_args(Reply), *get_args(Event), *_PARTS)
}


def encode(record: Body | Measured) -> str:
    """Return a record as JSON text, on one line.

    Raises
    ------
    UsageError
        If the record, or something in it, is not of a type that can be kept.
    """
    return json.dumps({"v": VERSION, "is": _plain(record)}, separators=(",", ":"), allow_nan=False)


def decode(text: str, *, where: str = "") -> Body | Measured:
    """Return the record that ``encode`` was given.

    Raises
    ------
    RecordingError
        If the text is not what ``encode`` writes, or was written by a later version.
    """
    try:
        outer = json.loads(text, parse_constant=_refuse_constant)
    except ValueError as error:
        raise RecordingError("stored record cannot be read", where=where, expected="JSON", found=str(error)) from error
    if not isinstance(outer, dict) or outer.keys() != {"v", "is"}:
        raise RecordingError("stored record cannot be read", where=where, expected="a version and a record")
    if outer["v"] != VERSION:
        raise RecordingError(
            "stored record has a version this program does not know",
            where=where,
            expected=str(VERSION),
            found=repr(outer["v"]),
            do="open the study with the program that wrote it, or a later one",
        )
    record = _alive(outer["is"], where)
    if type(record) not in RECORDS.values():
        raise RecordingError(
            "stored record cannot be read", where=where, expected="a record", found=type(record).__name__
        )
    return record  # type: ignore[return-value]


def encode_sweep(sweep: Sweep) -> bytes:
    """Return a sweep as bytes: mark, length of the header, header, float32 samples channel by channel (little-endian).

    Raises
    ------
    UsageError
        If the samples are not float32: another type would not come back as it was.
    """
    if sweep.samples_uv.dtype != np.float32:
        raise UsageError("samples of a sweep cannot be kept", expected="float32", found=str(sweep.samples_uv.dtype))
    header = json.dumps(
        {
            "v": VERSION,
            "shape": list(sweep.samples_uv.shape),
            "rate_hz": _plain(float(sweep.rate_hz)),
            "onset_sample": int(sweep.onset_sample),
            "channels": list(sweep.channels),
            "shift_ms": _plain(float(sweep.shift_ms)),
        }
    ).encode("ascii")
    samples = np.ascontiguousarray(sweep.samples_uv).astype("<f4", copy=False).tobytes()
    return SWEEP_MARK + len(header).to_bytes(4, "little") + header + samples


def decode_sweep(blob: bytes, *, where: str = "") -> Sweep:
    """Return the sweep that ``encode_sweep`` was given, bit by bit.

    Raises
    ------
    RecordingError
        If the bytes are not what ``encode_sweep`` writes, or were written by a later version.
    """
    start = len(SWEEP_MARK) + 4
    try:
        if blob[: len(SWEEP_MARK)] != SWEEP_MARK:
            raise ValueError("no mark at the start")
        end = start + int.from_bytes(blob[len(SWEEP_MARK) : start], "little")
        header = json.loads(blob[start:end])
        if header["v"] != VERSION:
            raise ValueError(f"version {header['v']!r}, this program knows {VERSION}")
        samples = np.frombuffer(blob[end:], dtype="<f4").astype(np.float32, copy=False).reshape(header["shape"])
        return Sweep(
            samples_uv=samples,
            rate_hz=_alive(header["rate_hz"], where),  # type: ignore[arg-type]
            onset_sample=header["onset_sample"],
            channels=tuple(header["channels"]),
            shift_ms=_alive(header["shift_ms"], where),  # type: ignore[arg-type]
        )
    except (ValueError, KeyError, TypeError) as error:
        raise RecordingError(
            "stored sweep cannot be read", where=where, expected="a sweep", found=str(error)
        ) from error


def _plain(value: object) -> object:
    if value is None or isinstance(value, bool | int | str):
        return value
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else {"@": "float", "is": repr(float(value))}
    if isinstance(value, tuple):
        return [_plain(part) for part in value]
    if isinstance(value, Mapping):
        return {_escaped(key): _plain(part) for key, part in value.items()}
    if is_dataclass(value) and type(value) is RECORDS.get(type(value).__name__):
        return {"@": type(value).__name__} | {part.name: _plain(getattr(value, part.name)) for part in fields(value)}
    raise UsageError(
        "value cannot be kept in a journal",
        expected="a record of the dialogue or of the journal, made of texts, numbers, tuples and mappings",
        found=type(value).__name__,
    )


def _escaped(key: object) -> str:
    if not isinstance(key, str):
        raise UsageError("mapping cannot be kept in a journal", expected="keys that are texts", found=repr(key))
    return f"@{key}" if key.startswith("@") else key


def _alive(value: object, where: str) -> object:
    if isinstance(value, list):
        return tuple(_alive(part, where) for part in value)
    if not isinstance(value, dict):
        return value
    if "@" not in value:
        return {key.removeprefix("@"): _alive(part, where) for key, part in value.items()}
    name, parts = value["@"], {key: _alive(part, where) for key, part in value.items() if key != "@"}
    try:
        return float(parts["is"]) if name == "float" else RECORDS[name](**parts)  # type: ignore[arg-type]
    except (KeyError, TypeError, ValueError) as error:
        raise RecordingError("stored record cannot be read", where=where, found=f"{name}: {error}") from error


def _refuse_constant(name: str) -> NoReturn:
    raise ValueError(f"{name} is not JSON")
