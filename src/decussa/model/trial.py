"""A trial's judgement."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

VerdictKind = Literal["accept", "doubtful", "reject"]
VERDICTS: tuple[VerdictKind, ...] = ("accept", "doubtful", "reject")


@dataclass(frozen=True, slots=True)
class Verdict:
    """Accept, doubtful or reject; ``rule`` names the rule that decided, ``reason`` says it with its number."""

    kind: VerdictKind
    rule: str = ""
    reason: str = ""


ACCEPT = Verdict("accept")
