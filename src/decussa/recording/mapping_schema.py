"""What a mapping file may hold: its sections, as they are checked at the door."""

from __future__ import annotations

import difflib
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

from decussa.recording.events import EVENT_COLUMNS
from decussa.recording.mapping import TIME_COLUMNS, Axis, Marks

#: The words of the product for columns of stimuli.
COLUMN_WORDS: tuple[str, ...] = (
    *(column.name for column in EVENT_COLUMNS if column.name != "duration"),
    *TIME_COLUMNS, "label", "sweep", "channel", "time_ms", "time_s", "onset_s",
)  # fmt: skip
#: Encodings of text tables in use; others, such as those that pack or escape, are no encodings of tables.
ENCODINGS: tuple[str, ...] = (
    "utf-8", "utf-16", "cp1252", "latin-1", "iso8859-15", "cp1250", "cp1251", "cp1253", "cp1254", "cp850", "cp437",
    "mac-roman", "shift_jis", "cp932", "euc-jp", "gb18030", "big5", "euc-kr", "koi8-r",
)  # fmt: skip

Unit = Literal["V", "mV", "uV", "\u00b5V", "\u03bcV", "nV"]
Share = Annotated[float, Field(ge=0, le=100, allow_inf_nan=False)]
Text = Annotated[str, Field(min_length=1, max_length=200)]


def _check_word(word: str) -> str:
    if word not in COLUMN_WORDS:
        close = difflib.get_close_matches(word, COLUMN_WORDS, n=1)
        hint = f"did you mean {close[0]!r}" if close else f"expected one of {', '.join(COLUMN_WORDS)}"
        raise ValueError(f"columns.{word} is not a word of the product; {hint}")
    return word


class Part(BaseModel):
    """A part of the file: frozen, strict about types, and strange to unknown fields."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=False, str_strip_whitespace=True)


class SignalsPart(Part):
    """The samples, and whose they are."""

    unit: Unit | Literal[""] = ""
    rate_hz: Annotated[float, Field(gt=0, le=1e6, allow_inf_nan=False)] | None = None
    onset_ms: Annotated[float, Field(ge=0, le=1e7, allow_inf_nan=False)] | None = None
    variable: str = ""
    axes: tuple[Axis, ...] = ()
    participant: str = ""
    session: str = ""

    @model_validator(mode="after")
    def _check(self) -> SignalsPart:
        if len(set(self.axes)) != len(self.axes):
            raise ValueError("axes name one axis twice")
        if self.axes and "sample" not in self.axes:
            raise ValueError("axes must name the one along which samples follow each other: 'sample'")
        return self


class ChannelPart(Part):
    """One channel."""

    name: Text
    kind: Literal["emg", "trigger", "ecg", "other", ""] = ""
    muscle: str = ""
    side: Literal["left", "right", "midline", ""] = ""
    unit: Unit | Literal[""] = ""


class PulsesPart(Part):
    """What marks the pulses."""

    trigger_marks: Marks = "test"


class SheetPart(Part):
    """How a sheet is written."""

    delimiter: Literal[",", ";", "\t", "|", ""] = ""
    decimal: Literal[".", ",", ""] = ""
    thousands: Literal[".", ",", " ", "'", ""] = ""
    encoding: Literal["", *ENCODINGS] = ""  # type: ignore[valid-type]

    @model_validator(mode="after")
    def _check(self) -> SheetPart:
        if self.decimal and self.decimal in (self.delimiter, self.thousands):
            raise ValueError("decimal must differ from delimiter and thousands")
        return self


class LabelPart(Part):
    """What a label means."""

    label: Text
    stim_type: Literal["single", "paired", "nerve", "none", ""] = ""
    condition: str = ""
    intensity_mso: Share | None = None
    cond_intensity_mso: Share | None = None
    isi_ms: Annotated[float, Field(gt=0, le=1000, allow_inf_nan=False)] | None = None
    current_ma: Annotated[float, Field(ge=0, le=1000, allow_inf_nan=False)] | None = None
    contraction_pct: Share | None = None

    @model_validator(mode="after")
    def _check(self) -> LabelPart:
        if self.isi_ms is not None and self.stim_type not in ("paired", ""):
            raise ValueError(f"a {self.stim_type} stimulus has no isi_ms")
        return self


class MappingFile(Part):
    """The whole file."""

    signals: SignalsPart = SignalsPart()
    channels: tuple[ChannelPart, ...] = ()
    pulses: PulsesPart = PulsesPart()
    sheet: SheetPart = SheetPart()
    columns: dict[Annotated[str, AfterValidator(_check_word)], Text] = {}
    labels: tuple[LabelPart, ...] = ()

    @model_validator(mode="after")
    def _check(self) -> MappingFile:
        for kind, names in (
            ("channel", [item.name for item in self.channels]),
            ("label", [item.label.lower() for item in self.labels]),
            ("column", list(self.columns.values())),
        ):
            again = next((name for name in names if names.count(name) > 1), None)
            if again is not None:
                raise ValueError(f"{kind} {again!r} is described twice")
        return self
