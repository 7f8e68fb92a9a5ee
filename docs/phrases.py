"""Prints every phrase of the pages as a language file to complete. Run: python docs/phrases.py > xx.toml

The file belongs into ``src/decussa/screen/languages``.
What is looked up by its English at run time (an item of the screening, a role) is data and stands in the code that defines
it; a translation may hold it too.
"""

from __future__ import annotations

import ast
import json
from pathlib import Path

SCREEN = Path(__file__).parents[1] / "src" / "decussa" / "screen"


def phrases() -> list[str]:
    """Return every phrase that stands in the code of the pages, in alphabetical order."""
    found = set()
    for path in SCREEN.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "phrase":
                first = node.args[0]
                if isinstance(first, ast.Constant) and isinstance(first.value, str):
                    found.add(first.value)
    return sorted(found)


def template() -> str:
    """Return a language file that still speaks English."""
    lines = ("# English = the other language. Words in braces stay as they are.", *map(_line, phrases()))
    return "\n".join(lines) + "\n"


def _line(english: str) -> str:
    said = json.dumps(english, ensure_ascii=False)
    return f"{said} = {said}"


if __name__ == "__main__":
    print(template(), end="")
