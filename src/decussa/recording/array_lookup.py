"""Finding what a file of arrays says under one of several names: beside the array, in its group, then anywhere."""

from __future__ import annotations

import re
from collections.abc import Collection
from dataclasses import dataclass

import numpy as np

from decussa.model.errors import RecordingError
from decussa.recording.array_file import ArrayFile, NamedArray, Numbers, Said, plain_name


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """Something that was said: its name in the file, that name made plain, and the texts or numbers."""

    name: str
    key: str
    value: Said

    @property
    def texts(self) -> tuple[str, ...]:
        """The texts; none where numbers were said."""
        return self.value if isinstance(self.value, tuple) else ()


def look_up(file: ArrayFile, words: Collection[str], near: NamedArray | None = None) -> list[Found]:
    """Return what is said under any of ``words``: of the nearest place only that says anything, in order of ``words``.

    Places are: what stands beside the array ``near``, variables of its own group, all variables, the file as a whole.
    """
    beside = near.said if near is not None else {}
    group = _parent(near.name) if near is not None else None
    variables = _variables(file, words)
    places: tuple[list[Found], ...] = (
        [Found(name, plain_name(name), value) for name, value in beside.items() if plain_name(name) in words],
        [found for found in variables if group is not None and _parent(found.name) == group],
        variables,
        [Found(name, plain_name(name), value) for name, value in file.said.items() if plain_name(name) in words],
    )
    return next((place for place in places if place), [])


def one_number(file: ArrayFile, words: Collection[str], near: NamedArray | None = None) -> tuple[Found, float] | None:
    """Return the one number that is said under ``words``, and where; None where there is none.

    Raises
    ------
    RecordingError
        If several places say different numbers.
    """
    numbers = [(found, _number(found.value)) for found in look_up(file, words, near)]
    told = [(found, number) for found, number in numbers if number is not None]
    if len({number for _, number in told}) > 1:
        raise RecordingError(
            "file says different things",
            where=file.path,
            expected="one number",
            found=", ".join(f"{found.name} = {number:g}" for found, number in told[:4]),
            do="say in a mapping which is meant",
        )
    return told[0] if told else None


def one_text(file: ArrayFile, words: Collection[str], near: NamedArray | None = None) -> str:
    """Return the one text that is said under ``words``; empty where there is none, or a list."""
    told = [found.texts[0] for found in look_up(file, words, near) if len(found.texts) == 1]
    return told[0] if told else ""


def _variables(file: ArrayFile, words: Collection[str]) -> list[Found]:
    found = [Found(name, plain_name(name), texts) for name, texts in file.texts.items() if plain_name(name) in words]
    found += [
        Found(array.name, plain_name(array.name), array.vector())
        for array in file.arrays
        if plain_name(array.name) in words and array.length
    ]
    return found


def _number(value: Said) -> float | None:
    """Return a lone number, or a list of equal ones (a rate for each channel); text that is a number counts too."""
    if isinstance(value, tuple):
        said = re.fullmatch(r"\s*([-+]?\d+(?:\.\d+)?(?:[eE][-+]?\d+)?)\s*", value[0]) if len(value) == 1 else None
        return float(said[1]) if said else None
    flat: Numbers = np.asarray(value, dtype=np.float64).reshape(-1)
    return float(flat[0]) if flat.size and np.all(flat == flat[0]) else None


def _parent(name: str) -> str:
    return re.split(r"[./][^./]*$", name)[0] if re.search(r"[./]", name) else ""
