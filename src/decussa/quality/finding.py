"""What a check before the first pulse found: a state, the number behind it with its interval, words, and a way on."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

#: ``unknown``: there was too little to tell.
CheckState = Literal["good", "doubtful", "bad", "unknown"]
#: From the one that matters least to the one that matters most.
CHECK_STATES: tuple[CheckState, ...] = ("good", "unknown", "doubtful", "bad")


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One answer of one check.

    Parameters
    ----------
    check : str
        What was looked at, such as ``noise at rest``.
    channel : str
        Of which channel; empty where it is about the whole set-up.
    state : {"good", "doubtful", "bad", "unknown"}
        What it comes to.
    words, do : str
        What was found, as a sentence; what to do about it, empty where nothing is to be done.
    value, low, high : float
        The number that decided, with its 95 % interval; NaN where there is none.
    unit, method : str
        Its unit, and how it was worked out.
    n : int
        Of how many stretches, pulses or arrivals.
    """

    check: str
    channel: str = ""
    state: CheckState = "unknown"
    words: str = ""
    do: str = ""
    value: float = math.nan
    low: float = math.nan
    high: float = math.nan
    unit: str = ""
    method: str = ""
    n: int = 0

    def says(self, state: CheckState, words: str, do: str = "") -> Finding:
        """Return this finding with what its number comes to."""
        return replace(self, state=state, words=words, do=do)

    def sentence(self) -> str:
        """Return everything a person should read, on one line."""
        about = f"{self.channel}, {self.check}" if self.channel else self.check
        return f"{about[:1].upper()}{about[1:]}: {self.words}{f' {self.do}' if self.do else ''}"


def objections(findings: Sequence[Finding]) -> list[str]:
    """Return the sentences of those that are bad or doubtful."""
    return [finding.sentence() for finding in findings if finding.state in ("bad", "doubtful")]


def worst(findings: Sequence[Finding]) -> CheckState:
    """Return the gravest state among ``findings``, ``unknown`` where there is none."""
    return max((finding.state for finding in findings), key=CHECK_STATES.index, default="unknown")
