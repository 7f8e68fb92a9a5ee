"""Recordings in text files: sweeps that were already cut (long or wide), and continuous signals.

- long: columns ``sweep``, ``time_ms`` (or ``time_s``), one column for each channel with its unit at the end (``FCR_uv``,
  ``FCR_mv``), and any column of the stimulus, the same in all rows of a sweep;
- wide: a row for each sweep (and channel), columns of the stimulus, ``channel`` where there are several, then one column
  for each sample, named by its time in ms; the unit in a comment ``# unit: uV``;
- continuous: comments with rate and labels, then columns of samples; or ``time_s`` and columns with their unit.
"""

from __future__ import annotations

import math
import re
from dataclasses import replace
from pathlib import Path

from decussa.model.errors import RecordingError
from decussa.model.recording import Recording
from decussa.recording.mapping import NO_MAPPING, Mapping
from decussa.recording.sheet import Sheet
from decussa.recording.text_continuous import read_continuous
from decussa.recording.text_head import TextHead, is_text, read_head
from decussa.recording.text_sweeps import read_long, read_wide, sample_columns

__all__ = ["is_text", "read_text_recording"]


def read_text_recording(path: Path, events: Sheet | None = None, mapping: Mapping = NO_MAPPING) -> Recording:
    """Read a text file in one of the three shapes.

    Raises
    ------
    RecordingError
        If it has none of the shapes, or its content cannot be believed as it is.
    """
    head = _in_our_words(read_head(path), mapping)
    names = {name.lower() for name in head.columns}
    timed = bool(names & {"time_ms", "time_s"})
    cut = "sweep" in names and timed
    if cut:
        return read_long(path, head, mapping)
    if len(sample_columns(head)) > 1:
        return read_wide(path, head, mapping)
    if timed or _tells_rate(head.said) or not math.isnan(mapping.rate_hz):
        return read_continuous(path, head, events, mapping)
    raise RecordingError(
        "not a recording in a known shape",
        where=path,
        expected="columns sweep and time_ms, or samples named by their time, or a comment with the sampling rate",
        found=", ".join(head.columns[:6]) or "numbers without names",
        do="see docs/formats.md for the shapes",
    )


def _in_our_words(head: TextHead, mapping: Mapping) -> TextHead:
    """Return the head with the columns that the mapping names under the product's words."""
    ours = {theirs: word for word, theirs in mapping.columns.items()}
    return replace(head, columns=tuple(ours.get(name, name) for name in head.columns))


def _tells_rate(said: dict[str, str]) -> bool:
    return any(re.match(r"(sampling )?(rate|frequency)|rate_hz|fs\b", name) for name in said)
