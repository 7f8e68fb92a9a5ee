"""The shipped protocols with every step and fewer trials, so that a sample of whole sessions fits into a test run."""

import re
from pathlib import Path

from decussa.protocol.schema import protocol_text

#: Enough for three small blocks of every condition, and for a search to begin.
TRIALS, SEARCH = 3, 14


def shortened_text(name: str) -> str:
    """The text of a shipped protocol with fewer trials."""
    text = re.sub(r"(?m)^trials = \d+", f"trials = {TRIALS}", protocol_text(name))
    text = re.sub(r"(?m)^pulses = (2\d|3\d|40)", f"pulses = {SEARCH}", text)
    # Blocks and searches that say nothing get a number of their own.
    for kind, given in {
        "paired": f"trials = {TRIALS}",
        "recruitment curve": f"trials = {TRIALS}",
        "single": f"trials = {TRIALS}",
        "silent period": f"trials = {TRIALS}",
        "re-check": f"trials = {TRIALS}",
        "hotspot": f"pulses = {SEARCH}",
        "test intensity": "pulses = 8",
    }.items():
        text = _with_default(text, kind, given)
    return text


def _with_default(text: str, kind: str, given: str) -> str:
    parts = text.split("[[steps]]\n")
    field = given.split(" ")[0]
    for index, part in enumerate(parts):
        if part.startswith(f'kind = "{kind}"') and not re.search(rf"(?m)^{field} =", part):
            line, rest = part.split("\n", 1)
            parts[index] = f"{line}\n{given}\n{rest}"
    return "[[steps]]\n".join(parts)


def shortened_file(name: str, place: Path) -> str:
    """Write the shortened protocol down; return its path."""
    path = place / f"{name}.toml"
    path.write_text(shortened_text(name), encoding="utf-8")
    return str(path)
