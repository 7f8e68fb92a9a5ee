"""The catalogue of what pages say: English in the program's text, other languages in a file beside it.

A language is one TOML file in ``languages`` that gives, for each English phrase, its own; a phrase that is missing stays
English. ``docs/phrases.py`` prints such a file with every phrase there is. What is stored in a journal (an instruction's
reason, a verdict's) is data and is shown as it was written.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path

from decussa.model.errors import UsageError

ENGLISH = "en"
LANGUAGES = Path(__file__).parent / "languages"
_chosen: dict[str, str] = {}


def phrase(english: str, /, **values: object) -> str:
    """Return a phrase in the language of the pages, with ``values`` put into its places."""
    said = _chosen.get(english) or english
    return said.format(**values) if values else said


def speak(phrases: Mapping[str, str]) -> None:
    """Take another language's phrases; none speaks English again."""
    _chosen.clear()
    _chosen.update(phrases)


def read_language(name: str) -> Mapping[str, str]:
    """Return the phrases of a language by the name of its file.

    Raises
    ------
    UsageError
        If there is no such language.
    """
    known = sorted(path.stem for path in LANGUAGES.glob("*.toml"))
    if name not in known:
        raise UsageError(
            "language is not known", where="--language", expected=", ".join([ENGLISH, *known]), found=repr(name)
        )
    return {
        str(key): str(value) for key, value in tomllib.loads((LANGUAGES / f"{name}.toml").read_text("utf-8")).items()
    }
