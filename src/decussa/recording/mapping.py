"""What another lab's names, units and labels mean: a mapping, as readers use it. ``mapping_file`` reads one from TOML.

A reader takes from it what its file does not tell, and believes it where the two differ: whoever wrote it meant it. What a
mapping does not say is empty text or NaN, and is then left to the file.
"""

from __future__ import annotations

import math
from collections.abc import Mapping as Table
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Literal

from decussa.model.errors import RecordingError
from decussa.model.muscle import UNKNOWN, Muscle
from decussa.model.recording import ChannelKind

Axis = Literal["sweep", "channel", "sample"]
AXES: tuple[Axis, ...] = ("sweep", "channel", "sample")
Marks = Literal["test", "first"]
#: What places a stimulus in time where ``onset`` does not: milliseconds, a clock, seconds since the stimulus before.
TIME_COLUMNS: tuple[str, ...] = ("onset_ms", "time_of_day", "interval_s")


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelMapping:
    """What one channel is: ``name`` as it stands in the file; the rest empty where not said."""

    name: str
    kind: ChannelKind | Literal[""] = ""
    muscle: Muscle = UNKNOWN
    side: str = ""
    unit: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class LabelMapping:
    """What one label of the lab means: ``stim_type`` is ``single``, ``paired``, ``nerve``, or ``none`` for no stimulus.

    Numbers are NaN where the label does not tell them; a number in the sheet's own column goes before.
    """

    label: str
    stim_type: Literal["single", "paired", "nerve", "none", ""] = ""
    condition: str = ""
    intensity_mso: float = math.nan
    cond_intensity_mso: float = math.nan
    isi_ms: float = math.nan
    current_ma: float = math.nan
    contraction_pct: float = math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetStyle:
    """How a sheet is written: what parts cells, decimals and thousands, and its encoding; empty is "find out"."""

    delimiter: str = ""
    decimal: str = ""
    thousands: str = ""
    encoding: str = ""


#: Nothing is said of how a sheet is written.
ANY_STYLE = SheetStyle()


@dataclass(frozen=True, slots=True)
class Doubt:
    """A guess that nobody confirmed: the line of the mapping it stands in, its field, and why it is doubtful."""

    line: int
    field: str
    why: str

    def sentence(self, path: Path | None) -> str:
        """Return the doubt in one sentence that names file and line."""
        return f"{path.name if path else 'mapping'}, line {self.line}: {self.field} is still in doubt: {self.why}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Mapping:
    """What a lab's file means. Every field may be left out.

    Parameters
    ----------
    path : Path or None
        The TOML file it was read from, for messages.
    unit : str
        Unit of the EMG samples of all channels that name none of their own: ``V``, ``mV``, ``uV``, ``nV``.
    rate_hz : float
        Sampling rate; NaN if not said.
    onset_ms : float
        Sweeps that were already cut: time of the test pulse from the first sample; NaN if not said.
    axes : tuple of {"sweep", "channel", "sample"}
        What the axes of the array of samples are, in the file's order; empty if not said.
    variable : str
        Name of the array of samples in a file of arrays (MAT, HDF5, NumPy), with its path inside the file.
    trigger_marks : {"test", "first"}
        Which pulse of a pair a lone trigger marks.
    participant, session : str
        Labels for the tables, in place of those the file's name gives.
    channels : tuple of ChannelMapping
        The channels that are described; the others are left to the file.
    columns : mapping of str to str
        The product's word for a column of stimuli (``onset``, ``isi_ms``, ``label``) to the lab's: the name of a column
        of its sheet, or of a variable of its file.
    sheet : SheetStyle
        How the lab's sheet is written.
    labels : tuple of LabelMapping
        What the lab's labels mean.
    doubts : tuple of Doubt
        Guesses that nobody confirmed yet.
    """

    path: Path | None = None
    unit: str = ""
    rate_hz: float = math.nan
    onset_ms: float = math.nan
    axes: tuple[Axis, ...] = ()
    variable: str = ""
    trigger_marks: Marks = "test"
    participant: str = ""
    session: str = ""
    channels: tuple[ChannelMapping, ...] = ()
    columns: Table[str, str] = field(default_factory=dict)
    sheet: SheetStyle = ANY_STYLE
    labels: tuple[LabelMapping, ...] = ()
    doubts: tuple[Doubt, ...] = ()

    def channel(self, name: str) -> ChannelMapping:
        """Return what is said of a channel; an empty description where nothing is, with the unit of all."""
        found = next((item for item in self.channels if item.name.strip() == name.strip()), None)
        if found is None:
            return ChannelMapping(name=name, unit=self.unit)
        if found.unit or found.kind not in ("emg", ""):
            return found
        return ChannelMapping(name=name, kind=found.kind, muscle=found.muscle, side=found.side, unit=self.unit)

    def label(self, text: str) -> LabelMapping | None:
        """Return what a label means; None where the mapping does not say. Case and spaces at the ends do not count."""
        wanted = text.strip().lower()
        return next((item for item in self.labels if item.label.strip().lower() == wanted), None)

    def of_samples(self) -> Mapping:
        """Return what it says of the recording alone, where its columns and labels are those of a sheet beside it."""
        return replace(self, columns={}, labels=())

    def check_channels(self, names: Sequence[str], *, where: str | Path) -> None:
        """Refuse a mapping of channels that the file does not hold.

        Raises
        ------
        RecordingError
            Naming the first channel that is missing, and those that are there.
        """
        there = {name.strip() for name in names}
        lost = next((item.name for item in self.channels if item.name.strip() not in there), None)
        if lost is not None:
            raise RecordingError(
                f"mapping describes a channel that is not there: {lost!r}",
                where=where,
                expected="one of " + (", ".join(repr(name) for name in names) or "none"),
                do=f"correct the name in {self.path}" if self.path else "correct the mapping",
            )

    @property
    def notes(self) -> tuple[str, ...]:
        """What is still in doubt, a sentence each, for the notes of a recording."""
        return tuple(doubt.sentence(self.path) for doubt in self.doubts)


#: The mapping that says nothing.
NO_MAPPING = Mapping()
