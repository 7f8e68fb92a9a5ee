"""Sweeps as they are drawn: cut around the test pulse, artifacts bridged and left out, on one time axis."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from decussa.measuring.artifact import clean
from decussa.model.recording import Recording

Values = NDArray[np.float64]
Span = tuple[float, float]

#: More sweeps than this in one panel hide each other; then an even choice is drawn, and the caption says so.
MOST_DRAWN = 60
#: The artifact is looked for against this much baseline before the first pulse, in ms.
BASELINE_MS = 105.0
#: Longest stretch that is left out for an artifact, in ms.
LONGEST_LEFT_OUT_MS = 12.0


@dataclass(frozen=True, slots=True, eq=False)
class Traces:
    """Sweeps of one muscle that are drawn together.

    Parameters
    ----------
    time_ms : ndarray, shape (n_samples,)
        From the onset of the test pulse.
    samples_uv : ndarray, shape (n_sweeps, n_samples), microvolt
        NaN where the recording holds nothing.
    verdicts : tuple of str
        One per sweep.
    artifacts_ms : tuple of (float, float)
        Stretches that are hatched, not drawn: each artifact of these sweeps.
    """

    time_ms: Values
    samples_uv: Values
    verdicts: tuple[str, ...]
    artifacts_ms: tuple[Span, ...]

    @property
    def kept_uv(self) -> Values:
        """The sweeps that were not rejected."""
        return np.asarray(self.samples_uv[np.array([verdict != "reject" for verdict in self.verdicts], dtype=bool)])

    @property
    def shown(self) -> NDArray[np.bool_]:
        """Which samples lie outside the artifacts."""
        inside = np.zeros(self.time_ms.size, dtype=bool)
        for start, end in self.artifacts_ms:
            inside |= (self.time_ms >= start) & (self.time_ms < end)
        return ~inside


def cut_traces(recordings: Mapping[str, Recording], rows: pd.DataFrame, span_ms: Span) -> Traces | None:
    """Return the sweeps of ``rows``, an even choice of them where they are many; None where no sample is at hand.

    Parameters
    ----------
    recordings : mapping of str to Recording
        By name, as in the column ``recording``.
    rows : DataFrame
        Trials of one muscle and side.
    span_ms : (float, float)
        What is to be seen, from the test pulse.
    """
    pieces = []
    for name, group in _spread(rows).groupby("recording", sort=False):
        if str(name) in recordings:
            pieces += _cut(recordings[str(name)], group, span_ms)
    if not pieces:
        return None
    step_ms = min(piece.step_ms for piece in pieces)
    time_ms = np.arange(span_ms[0], span_ms[1] + step_ms / 2, step_ms)
    stacked = np.vstack([piece.on(time_ms) for piece in pieces])
    verdicts = tuple(verdict for piece in pieces for verdict in piece.verdicts)
    return Traces(time_ms, stacked, verdicts, _together([span for piece in pieces for span in piece.artifacts_ms]))


def _spread(rows: pd.DataFrame) -> pd.DataFrame:
    if len(rows) <= MOST_DRAWN:
        return rows
    return rows.iloc[np.linspace(0, len(rows) - 1, MOST_DRAWN).round().astype(int)]


@dataclass(frozen=True, slots=True, eq=False)
class _Piece:
    """Sweeps of one channel of one recording, still at their own sampling instants."""

    samples_uv: Values
    onset_sample: int
    step_ms: float
    shift_ms: Values
    verdicts: tuple[str, ...]
    artifacts_ms: tuple[Span, ...]

    def on(self, time_ms: Values) -> Values:
        """Return the sweeps at these times; NaN outside what was recorded."""
        own_ms = (np.arange(self.samples_uv.shape[1]) - self.onset_sample) * self.step_ms
        return np.vstack(
            [
                np.interp(time_ms + shift, own_ms, row, left=np.nan, right=np.nan)
                for row, shift in zip(self.samples_uv, self.shift_ms, strict=True)
            ]
        )


def _cut(recording: Recording, rows: pd.DataFrame, span_ms: Span) -> list[_Piece]:
    muscle, side = str(rows["muscle"].iloc[0]), str(rows["side"].iloc[0])
    index = next(
        (
            index
            for index in recording.emg_channels
            if recording.channels[index].muscle_label == muscle and recording.channels[index].side == side
        ),
        None,
    )
    by_sweep = {event.sweep: event for event in recording.events}
    rows = rows[rows["sweep"].isin(list(by_sweep))]
    if index is None or rows.empty:
        return []
    events = [by_sweep[int(sweep)] for sweep in rows["sweep"]]
    isi_ms = np.array([event.stimulus.isi_ms for event in events], dtype=np.float64)
    before_ms = max(-span_ms[0], BASELINE_MS + (float(np.nanmax(isi_ms)) if np.isfinite(isi_ms).any() else 0.0))
    batch = recording.signals.cut(index, events, before_ms, span_ms[1] + 1.0)
    channel = recording.channels[index]
    cleaned = clean(
        batch.samples_uv,
        batch.rate_hz,
        batch.onset_sample,
        isi_ms=isi_ms,
        low_uv=channel.low_uv,
        high_uv=channel.high_uv,
        nerve=events[0].stimulus.stim_type == "nerve",
    )
    artifacts = [_stretch(cleaned.artifact_start_ms, cleaned.artifact_end_ms)]
    artifacts += [_stretch(cleaned.first_start_ms, cleaned.first_end_ms)]
    return [
        _Piece(
            cleaned.bridged_uv.astype(np.float64),
            batch.onset_sample,
            1e3 / batch.rate_hz,
            batch.shift_ms,
            tuple(rows["verdict"]),
            tuple(span for span in artifacts if span is not None),
        )
    ]


def _stretch(starts_ms: Values, ends_ms: Values) -> Span | None:
    """Return what hides nearly all artifacts of these sweeps; None where there is none."""
    seen = np.isfinite(starts_ms) & np.isfinite(ends_ms)
    if not seen.any():
        return None
    start, end = float(np.median(starts_ms[seen])), float(np.quantile(ends_ms[seen], 0.9))
    return start, min(end, start + LONGEST_LEFT_OUT_MS)


def _together(spans: list[Span]) -> tuple[Span, ...]:
    """Join stretches that overlap."""
    joined: list[Span] = []
    for start, end in sorted(spans):
        if joined and start <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(end, joined[-1][1]))
        else:
            joined.append((start, end))
    return tuple(joined)


def envelope(time_ms: Values, row_uv: Values, columns: int) -> tuple[Values, Values]:
    """Return a trace with no more than two points per printed column: its extremes, in their order of time.

    A trace with fewer samples comes back as it is, so that what is printed looks the same.
    """
    per_column = row_uv.size // max(columns, 1)
    if per_column <= 2:
        return time_ms, row_uv
    whole = row_uv.size // per_column * per_column
    blocks = row_uv[:whole].reshape(-1, per_column)
    empty = np.asarray(np.isnan(blocks).any(axis=1))
    filled = np.where(empty[:, None], 0.0, blocks)
    places = np.sort(np.stack([filled.argmin(axis=1), filled.argmax(axis=1)], axis=1), axis=1)
    flat = (places + np.arange(blocks.shape[0])[:, None] * per_column).ravel()
    values = np.where(np.repeat(empty, 2), np.nan, row_uv[flat])
    tail = slice(whole, None)
    return np.concatenate([time_ms[flat], time_ms[tail]]), np.concatenate([values, row_uv[tail]])
