"""Runs the examples of the manual and writes under each cell what it printed. Run: python docs/examples.py

A test runs them too and compares: words must be the same, numbers within a tenth, for a better estimate may move a digit.
"""

from __future__ import annotations

import contextlib
import io
import os
import re
import tempfile
from pathlib import Path
from typing import Any

PAGES = tuple(sorted((Path(__file__).parent / "examples").glob("*.md")))

_CELL = re.compile(r"^```python\n(.*?)^```\n(?:\n```text\n(.*?)^```\n)?", re.MULTILINE | re.DOTALL)


def cells(page: Path) -> list[tuple[str, str]]:
    """Return the code of every cell, and what the page says that it prints."""
    return [(code, shown or "") for code, shown in _CELL.findall(page.read_text(encoding="utf-8"))]


def printed(page: Path) -> list[str]:
    """Run the cells of a page one after the other, in an empty folder, and return what each printed."""
    names: dict[str, Any] = {"__name__": page.stem}
    held = cells(page)
    outputs = []
    with tempfile.TemporaryDirectory() as folder, contextlib.chdir(folder):
        for code, _ in held:
            heard = io.StringIO()
            with contextlib.redirect_stdout(heard):
                exec(compile(code, os.fspath(page), "exec"), names)
            outputs.append(heard.getvalue())
    return outputs


def rewrite(page: Path) -> None:
    """Write under each cell what it prints."""
    outputs = iter(printed(page))

    def cell(found: re.Match[str]) -> str:
        said = next(outputs)
        shown = f"\n```text\n{said.rstrip()}\n```\n" if said else ""
        return f"```python\n{found.group(1)}```\n{shown}"

    page.write_text(_CELL.sub(cell, page.read_text(encoding="utf-8")), encoding="utf-8")


if __name__ == "__main__":
    for each in PAGES:
        rewrite(each)
