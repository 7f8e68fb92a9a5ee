"""The examples of the manual's page on pooling print what they say."""

from __future__ import annotations

import contextlib
import io
import re
from pathlib import Path

PAGE = Path(__file__).parents[2] / "docs" / "pool.md"


def test_the_examples_print_what_they_say() -> None:
    blocks = re.findall(r"```python\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.DOTALL)
    expected = [
        line.partition("  # ")[2] for block in blocks for line in block.splitlines() if line.startswith("print(")
    ]
    printed = io.StringIO()
    names: dict[str, object] = {}
    with contextlib.redirect_stdout(printed):
        for block in blocks:
            exec(block, names)

    assert len(expected) >= 5
    assert printed.getvalue().splitlines() == expected
