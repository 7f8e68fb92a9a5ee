"""What every source of sweeps keeps to: a virtual participant, a live stream, a recording played again, an operator's hand.

A source is opened as a context manager and leaves everything safe when it closes. It is told what is to be given and
reports what came back; it never repeats a stimulus by itself and never decides anything.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import TracebackType
from typing import Protocol, Self, runtime_checkable

from decussa.model.dialogue import Ask, Deliver
from decussa.model.recording import Channel
from decussa.model.sweep import Sweep
from decussa.model.trial import Verdict


@dataclass(frozen=True, slots=True, kw_only=True)
class Delivered:
    """What came back for stimulus ``number``: a sweep, or sizes that somebody read elsewhere (µV, by channel), or nothing.

    ``said`` is what a person should know of how it came, or why it did not, each a plain sentence: it is noted in the journal.
    ``found`` is what the source itself holds against the stimulus, such as two pulses where one was asked for.
    """

    number: int
    sweep: Sweep | None = None
    sizes_uv: Mapping[str, float] | None = None
    said: tuple[str, ...] = ()
    found: tuple[Verdict, ...] = ()

    @property
    def is_nothing(self) -> bool:
        """Whether there is neither a sweep nor a size: the operator says what became of the stimulus."""
        return self.sweep is None and self.sizes_uv is None


@dataclass(frozen=True, slots=True, kw_only=True)
class Unasked:
    """Pulses of one stimulus that nobody asked for: how many, and how long ago in s they were given."""

    pulses: int
    ago_s: float


@runtime_checkable
class SeesPulses(Protocol):
    """A source that sees pulses by itself, also those that nobody asked for."""

    def unasked(self) -> Sequence[Unasked]:
        """Return the pulses that nobody asked for since this was called last, in order."""
        ...


class Source(Protocol):
    """Where sweeps come from."""

    name: str
    #: Whether a person can be reached by what this source does; such a source is never run by itself.
    can_reach_a_person: bool

    @property
    def channels(self) -> tuple[Channel, ...]:
        """The EMG channels of its sweeps, in their order."""
        ...

    def __enter__(self) -> Self:
        """Open what is needed."""
        ...

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Leave everything safe."""
        ...

    def skip_to(self, number: int) -> None:
        """Tell that stimuli up to ``number`` belong to the past: the next one has the number after it."""
        ...

    def deliver(self, request: Deliver, number: int) -> Delivered | None:
        """Have stimulus ``number`` given and return what came back, None (or a ``Delivered`` with words alone) if nothing did."""
        ...

    def answer(self, request: Ask) -> str | float | None:
        """Answer a question in the person's place, where the source is one; None leaves it to the operator."""
        ...
