"""Errors, sorted by who must act.

    DecussaError
    ├── UsageError       the person who typed the command or wrote the call: wrong argument, contradictory options
    ├── RecordingError   the person who owns the data: a file, table or data set that cannot be believed as it is
    ├── ProtocolError    the person who wrote the protocol: a field that is missing, unknown or out of range
    ├── MachineError     the person who keeps the machine: no permission, disk full, file vanished
    └── MissingPartError the person who installed the program: an optional group is not there

Every message follows one formula: where, what, what was expected, what was found, what to do next. Code below raises
one of these; the single border that turns them into a line on the screen and an exit code is ``command``.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path


class DecussaError(Exception):
    """Something a person must act on, said in one sentence.

    Parameters
    ----------
    what : str
        What is wrong, as a short statement without a full stop.
    where : str or Path, optional
        The file, table, row, channel or argument it is about.
    expected, found : str, optional
        What would have been right, and what was there instead.
    do : str, optional
        What to do next, as an instruction.
    """

    exit_code = 1

    def __init__(self, what: str, *, where: str | Path = "", expected: str = "", found: str = "", do: str = "") -> None:
        self.what, self.where, self.expected, self.found, self.do = what, str(where), expected, found, do
        super().__init__(self.sentence())

    def sentence(self) -> str:
        """Return the whole message on one line."""
        facts = "; ".join(
            part
            for part in (
                self.what,
                f"expected {self.expected}" if self.expected else "",
                f"found {self.found}" if self.found else "",
            )
            if part
        )
        text = f"{self.where}: {facts}." if self.where else f"{facts[:1].upper()}{facts[1:]}."
        if self.do:
            text += f" {self.do[:1].upper()}{self.do[1:]}."
        return " ".join(text.split())

    def move(self, here: str, there: str) -> None:
        """Say another place: a copy was read at ``here`` of what lies at ``there``."""
        self.where = self.where.replace(here, there)
        self.args = (self.sentence(),)

    def __reduce__(self) -> tuple[Callable[..., DecussaError], tuple[type[DecussaError], dict[str, object]]]:
        # The usual way would call the class with the sentence alone, and lose what it is made of.
        return _again, (type(self), self.__dict__)


def _again(kind: type[DecussaError], state: dict[str, object]) -> DecussaError:
    error = kind.__new__(kind)
    error.__dict__.update(state)
    error.args = (error.sentence(),)
    return error


class UsageError(DecussaError, ValueError):
    """The call or the command line cannot be meant as it stands."""

    exit_code = 2


class RecordingError(DecussaError):
    """A file, table or data set cannot be believed as it is."""


class ProtocolError(DecussaError):
    """A protocol cannot be carried out as written; ``problems`` lists every fault with its line."""

    def __init__(self, where: str | Path, problems: tuple[str, ...]) -> None:
        self.problems = problems
        count = "1 fault" if len(problems) == 1 else f"{len(problems)} faults"
        super().__init__(f"{count} in the protocol", where=where)

    def sentence(self) -> str:
        """Return every fault on a line of its own."""
        return "\n".join(f"{self.where}, {problem}" for problem in self.problems)


class MachineError(DecussaError):
    """The machine refused: permission, space, a file that vanished."""


class MissingPartError(DecussaError):
    """An optional part of the program is not installed."""
