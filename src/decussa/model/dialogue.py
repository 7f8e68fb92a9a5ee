"""Everything a plan may ask and be told: a closed set of frozen types.

A plan is a generator that yields one ``Request`` and is sent one ``Reply``. It depends on its arguments and the replies
it got, nothing else, so a fresh plan fed the stored replies stands exactly where the old one stood.
"""

from __future__ import annotations

import math
from collections.abc import Generator, Mapping
from dataclasses import dataclass, field
from typing import Literal

from decussa.model.estimate import Estimate
from decussa.model.stimulus import Stimulus
from decussa.model.trial import Verdict


@dataclass(frozen=True, slots=True, kw_only=True)
class Deliver:
    """Give this stimulus and report what came back: answered by ``Trial``, ``Refused`` or ``Lost``.

    Parameters
    ----------
    stimulus : Stimulus
        What to give.
    step, condition, block : str
        Step of the protocol, name of the condition, block of trials it belongs to.
    muscle : str
        Target: key and side, such as ``FCR left``.
    contraction_pct : float
        Contraction to hold, in % MVC; 0 is rest.
    site_cm : (float, float) or None
        Coil site from the vertex: to the right and to the front, in cm. None: leave the coil where it is.
    wait_s : float
        Least time since the stimulus before, drawn by the plan.
    why : str
        One sentence for the operator.
    """

    stimulus: Stimulus
    step: str
    condition: str = ""
    block: str = ""
    muscle: str = ""
    contraction_pct: float = 0.0
    site_cm: tuple[float, float] | None = None
    wait_s: float = 5.0
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ask:
    """Put a question to the operator: answered by ``Answer``.

    ``kind`` says what an answer is: ``confirm`` (yes or no), ``rating`` (0 to 10), ``number`` or ``choice`` (one of
    ``choices``). ``default`` is what ``--auto`` answers; a virtual participant may answer ratings and numbers itself.
    ``muscle`` and ``intensity_mso`` say what the question is about, where it is about a muscle or a pulse. ``due_h``: once
    answered, what the question names is due in so many hours, which becomes an entry of its own; NaN where nothing is.
    """

    key: str
    text: str
    kind: Literal["confirm", "rating", "number", "choice"]
    step: str
    choices: tuple[str, ...] = ()
    default: str | float = "yes"
    unit: str = ""
    muscle: str = ""
    intensity_mso: float = math.nan
    due_h: float = math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class Rest:
    """Wait: answered by ``Done``. May be repeated after a crash."""

    seconds: float
    step: str
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Show:
    """Show what is known so far: answered by ``Done``. ``results`` are estimates by quantity; ``curve`` is for drawing."""

    step: str
    results: Mapping[str, Estimate] = field(default_factory=dict)
    curve: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    final: bool = False
    text: str = ""


Request = Deliver | Ask | Rest | Show


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """What came back: measured values by channel (``FCR left``) and quantity (columns of the trial table), judged."""

    number: int
    values: Mapping[str, Mapping[str, float]]
    verdict: Verdict

    def value(self, muscle: str, quantity: str) -> float:
        """Return one measured value; NaN where it was not measured."""
        return self.values.get(muscle, {}).get(quantity, math.nan)


@dataclass(frozen=True, slots=True, kw_only=True)
class Refused:
    """The stimulus was not given: which limit, why in a sentence, and up to which % MSO it may be given (NaN: not at all)."""

    limit: str
    reason: str
    highest_mso: float = math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class Lost:
    """No answer is stored for a stimulus: it may have been given. ``given`` is what the operator says."""

    given: Literal["given and lost", "not given"]
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What the operator answered to an ``Ask``."""

    value: str | float


@dataclass(frozen=True, slots=True)
class Done:
    """A rest is over, or what was to be shown was shown."""


@dataclass(frozen=True, slots=True)
class Jump:
    """The operator leaves the step, or has it done again: may answer any request but ``Show``."""

    action: Literal["skip", "redo"]


Reply = Trial | Refused | Lost | Answer | Done | Jump

#: What a step found, by quantity, such as ``rmt``.
Found = Mapping[str, Estimate]
Plan = Generator[Request, Reply, Found]
