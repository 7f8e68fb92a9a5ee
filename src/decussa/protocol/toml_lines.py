"""Where in a TOML text each key stands, so that an error can name its line. The values are read by ``tomllib``."""

from __future__ import annotations

import re
from collections import Counter

Place = tuple[str | int, ...]

_TABLE = re.compile(r"\s*(\[\[?)\s*([A-Za-z0-9_.-]+)\s*\]\]?\s*(?:#.*)?")
_KEY = re.compile(r"\s*([A-Za-z0-9_-]+)\s*=")


def find_lines(text: str) -> dict[Place, int]:
    """Map each table and key of ``text`` to its line, counted from 1.

    Places are tuples as pydantic names them: ``("steps", 2, "trials")``; arrays of tables count from 0. Keys inside inline
    tables are not followed: their line is that of the key that holds them.
    """
    lines: dict[Place, int] = {}
    counts: Counter[Place] = Counter()
    here: Place = ()
    for number, line in enumerate(text.splitlines(), start=1):
        if table := _TABLE.fullmatch(line):
            here = _enter(table.group(2).split("."), counts, is_array=table.group(1) == "[[")
            lines.setdefault(here, number)
        elif key := _KEY.match(line):
            lines.setdefault((*here, key.group(1)), number)
    return lines


def _enter(names: list[str], counts: Counter[Place], *, is_array: bool) -> Place:
    place: Place = ()
    for position, name in enumerate(names):
        place = (*place, name)
        last = position == len(names) - 1
        if last and is_array:
            counts[place] += 1
        if counts[place]:
            place = (*place, counts[place] - 1)
    return place


def line_of(place: Place, lines: dict[Place, int]) -> int:
    """Return the line of ``place``, or of the nearest table that holds it; 1 where nothing does."""
    for length in range(len(place), 0, -1):
        if place[:length] in lines:
            return lines[place[:length]]
    return 1
