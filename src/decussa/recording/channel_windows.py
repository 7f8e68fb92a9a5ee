"""The windows of a channel in ``channels.tsv``: where a data set says that its responses were looked for."""

from __future__ import annotations

import math

from decussa.model.errors import RecordingError
from decussa.model.muscle import Window
from decussa.model.recording import Windows
from decussa.model.table import Column
from decussa.recording.sheet import Sheet

WINDOW_COLUMNS: tuple[Column, ...] = (
    Column("window_start_ms", "number", "ms", "Start of the window of the response after the test pulse"),
    Column("window_end_ms", "number", "ms", "End of that window"),
    Column("m_window_start_ms", "number", "ms", "Start of the window of the M-wave; n/a where no nerve was stimulated"),
    Column("m_window_end_ms", "number", "ms", "End of that window"),
)
#: Latest end of a window, as in a protocol.
_LATEST_MS = 400.0


def read_windows(sheet: Sheet, row: int) -> Windows | None:
    """Return the windows that a row of ``channels.tsv`` names; None where it has no such columns.

    Raises
    ------
    RecordingError
        If a window does not begin after 0 and end later.
    """
    response = _window(sheet, row, "window")
    m_wave = _window(sheet, row, "m_window")
    return None if response is None and m_wave is None else Windows(response, m_wave)


def _window(sheet: Sheet, row: int, name: str) -> Window | None:
    start_ms, end_ms = sheet.number(row, f"{name}_start_ms"), sheet.number(row, f"{name}_end_ms")
    if math.isnan(start_ms) and math.isnan(end_ms):
        return None
    if not 0 < start_ms < end_ms <= _LATEST_MS:
        raise RecordingError(
            "window cannot be meant",
            where=sheet.place(row),
            expected=f"0 < {name}_start_ms < {name}_end_ms, at most {_LATEST_MS:g}",
            found=f"{start_ms:g} to {end_ms:g}",
        )
    return start_ms, end_ms
