"""Who keeps a stream whole, and who hears what happens to it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from decussa.model.sweep import SamplesUv
from decussa.source.stream.choice import Device

Tell = Callable[[str], None]


def tell_nobody(words: str) -> None:
    """Let words pass."""


class Keeper(Protocol):
    """Keeps a stream whole, on disk."""

    def write(self, samples: SamplesUv) -> None:
        """Take samples, shape (n_channels, n_samples); NaN where they were lost."""
        ...

    def note(self, sample: int, text: str) -> None:
        """Take words about a sample, counted from the first that was written."""
        ...

    def close(self) -> None:
        """End the file."""
        ...


MakeKeeper = Callable[[Device], Keeper]
