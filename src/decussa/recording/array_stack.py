"""Arrays that are numbered trial by trial (a group, struct or file for each) seen as one array of sweeps."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np

from decussa.recording.array_file import ArrayFile, NamedArray, Numbers
from decussa.recording.array_words import SWEEP_WORDS

_T = TypeVar("_T")
_NUMBERED = re.compile(r"([A-Za-z]*)[ _-]*([({]?)(\d+)[)}]?(?=[./]|$)")


@dataclass(frozen=True, slots=True, eq=False)
class Stacked:
    """Arrays of one shape, one for each sweep, as one array whose first axis counts the sweeps."""

    parts: Mapping[str, tuple[NamedArray, ...]]

    def take(self, name: str, where: tuple[slice, ...]) -> Numbers:
        """Return the piece ``where`` of the array ``name``."""
        chosen = self.parts[name][where[0]]
        shape = tuple(
            len(range(*piece.indices(extent)))
            for piece, extent in zip(where[1:], self.parts[name][0].shape, strict=True)
        )
        return np.stack([part.take(where[1:]) for part in chosen]) if chosen else np.empty((0, *shape))


def stack_numbered(file: ArrayFile) -> ArrayFile:
    """Return the file with what is numbered trial by trial put together; as it is where nothing is.

    ``trial_01/emg``, ``trial_02/emg`` (groups), ``trial(1).emg`` (structs) or ``sweep1``, ``sweep2`` become one array.
    """
    arrays: dict[str, list[tuple[int, NamedArray]]] = {}
    texts: dict[str, list[tuple[int, str]]] = {}
    rest: list[NamedArray] = []
    apart: dict[str, tuple[str, ...]] = {}
    for array in file.arrays:
        numbered = _template(array.name)
        if numbered is None:
            rest.append(array)
        else:
            arrays.setdefault(numbered[0], []).append((numbered[1], array))
    for name, value in file.texts.items():
        numbered = _template(name)
        if numbered is None or len(value) != 1:
            apart[name] = value
        else:
            texts.setdefault(numbered[0], []).append((numbered[1], value[0]))
    stacked = {name: _in_order(items) for name, items in arrays.items()}
    alike = {
        name: parts for name, parts in stacked.items() if len(parts) > 1 and len({part.shape for part in parts}) == 1
    }
    rest += [part for name, parts in stacked.items() if name not in alike for part in parts]
    if not alike:
        return file
    source = Stacked({name: tuple(parts) for name, parts in alike.items()})
    rest += [
        NamedArray(
            name=name,
            shape=(len(parts), *parts[0].shape),
            itemsize=parts[0].itemsize,
            source=source,
            said=parts[0].said,
        )
        for name, parts in alike.items()
    ]
    return replace(
        file, arrays=tuple(rest), texts=apart | {name: tuple(_in_order(items)) for name, items in texts.items()}
    )


def _template(name: str) -> tuple[str, int] | None:
    """Return a name without the number of its trial, and that number; None where it has none."""
    for found in _NUMBERED.finditer(name):
        if found[2] == "(" or found[1].lower() in SWEEP_WORDS:
            left = f"{name[: found.start()]}{found[1]}{name[found.end() :]}"
            return left.strip("./") or found[1], int(found[3])
    return None


def _in_order(items: list[tuple[int, _T]]) -> list[_T]:
    return [item for _, item in sorted(items, key=lambda numbered: numbered[0])]
