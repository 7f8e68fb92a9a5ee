"""Proof of delivery: what a recording itself shows of its pulses, against what the events say was given."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from decussa.model.errors import RecordingError
from decussa.model.recording import Recording
from decussa.recording.from_artifacts import artifacts_elsewhere
from decussa.recording.pieces import channel_pieces
from decussa.recording.trigger import SAME_STIMULUS_S, group_edges, rising_edges

Times = NDArray[np.float64]
#: Bins of the histogram of lags, in ms, where samples are not further apart.
BIN_MS = 0.2
#: What is told of each condition follows from these columns.
_TOLD = ["sweep", "condition", "stim_type", "isi_ms", "isi_measured_ms", "artifact_start_ms"]
#: Samples of a trigger channel that are read together.
_PIECE = 1 << 20


@dataclass(frozen=True, slots=True, kw_only=True)
class LagProof:
    """How late artifacts follow their triggers, in ms: median, 5th and 95th percentile, and counts in bins of ``bin_ms``."""

    behind: str
    n: int
    median_ms: float
    low_ms: float
    high_ms: float
    bin_ms: float
    bins: tuple[tuple[float, int], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class KindProof:
    """Stimuli of one condition: asked for, seen with as many artifacts as asked, and the interval as it was given, in ms."""

    condition: str
    stim_type: str
    isi_ms: float | None
    n: int
    as_asked: int
    isi_median_ms: float | None
    isi_least_ms: float | None
    isi_most_ms: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class DeliveryProof:
    """What a recording shows of its pulses. Sweeps are numbered as in the trial table; times are s from its start.

    ``missing`` are stimuli without an artifact, ``extra`` those with one too many; ``without_stimulus_s`` are triggers, or
    artifacts where there is no trigger channel, that no event names. ``lag`` is None where no artifact or no mark is seen.
    """

    stimuli: int
    with_artifact: int
    missing: tuple[int, ...]
    extra: tuple[int, ...]
    without_stimulus_s: tuple[float, ...]
    lag: LagProof | None
    kinds: tuple[KindProof, ...]

    def as_dict(self) -> dict[str, Any]:
        """Return it for machines."""
        return asdict(self)


def prove_delivery(recording: Recording, trials: pd.DataFrame) -> DeliveryProof:
    """Return the proof of delivery of one measured recording.

    Parameters
    ----------
    recording : Recording
        As it was measured.
    trials : DataFrame
        Its trial table.
    """
    by_sweep = trials[["sweep", "artifact_start_ms", "extra_artifact_ms"]].groupby("sweep", sort=True).first()
    seen_ms, extra = by_sweep["artifact_start_ms"], by_sweep["extra_artifact_ms"].notna()
    anything = bool(seen_ms.notna().any())
    triggers = _triggers(recording)
    onsets_s = {event.sweep: event.onset_s for event in recording.events}
    artifacts_s = np.array(
        [onsets_s[int(sweep)] + start / 1e3 for sweep, start in zip(seen_ms.index, seen_ms, strict=True)]
    )
    return DeliveryProof(
        stimuli=len(seen_ms),
        with_artifact=int(seen_ms.notna().sum()),
        missing=tuple(int(sweep) for sweep in seen_ms.index[seen_ms.isna()]) if anything else (),
        extra=tuple(int(sweep) for sweep in extra.index[extra]),
        without_stimulus_s=_without_stimulus(triggers, recording, trials),
        lag=_lag(artifacts_s, triggers, recording),
        kinds=tuple(_kinds(trials[_TOLD], extra)),
    )


def _triggers(recording: Recording) -> list[tuple[float, ...]]:
    """Return the pulses of the trigger channel, by stimulus; none where there is none, or sweeps were already cut."""
    if not math.isfinite(recording.duration_s):
        return []
    for index, channel in enumerate(recording.channels):
        if channel.kind == "trigger":
            edges = rising_edges(np.concatenate(list(channel_pieces(recording, index, _PIECE))))
            if edges.size:
                try:
                    return group_edges([float(edge) / channel.rate_hz for edge in edges], where=recording.path)
                except RecordingError:
                    return []
    return []


def _without_stimulus(
    triggers: Sequence[tuple[float, ...]], recording: Recording, trials: pd.DataFrame
) -> tuple[float, ...]:
    """Return triggers that no event names; where there are none, artifacts of the channel that shows most of them."""
    onsets_s = np.array([event.onset_s for event in recording.events])
    if triggers:
        return tuple(group[-1] for group in triggers if np.abs(onsets_s - group[-1]).min() > SAME_STIMULUS_S)
    shown = trials.groupby(["muscle", "side"], sort=False)["artifact_start_ms"].count()
    if not shown.size or not shown.max():
        return ()
    for index in recording.emg_channels:
        channel = recording.channels[index]
        if (channel.muscle_label, channel.side) == shown.idxmax():
            return artifacts_elsewhere(recording, index, onsets_s, SAME_STIMULUS_S)
    return ()


def _lag(artifacts_s: Times, triggers: Sequence[tuple[float, ...]], recording: Recording) -> LagProof | None:
    """Return how late artifacts are behind the trigger, or behind the events where there is none."""
    triggered = bool(triggers)
    edges_s = np.array(
        [edge for group in triggers for edge in group] if triggered else [e.onset_s for e in recording.events]
    )
    own = not triggered and recording.events[0].pulse_from == "artifact"
    seen_s = artifacts_s[np.isfinite(artifacts_s)]
    if own or not edges_s.size or not seen_s.size:
        return None
    edges_s = np.sort(edges_s)
    after = np.searchsorted(edges_s, seen_s).clip(1, max(1, edges_s.size - 1))
    before_s, after_s = edges_s[after - 1], edges_s[np.minimum(after, edges_s.size - 1)]
    lags_ms = (seen_s - np.where(seen_s - before_s <= after_s - seen_s, before_s, after_s)) * 1e3
    lags_ms = lags_ms[np.abs(lags_ms) <= SAME_STIMULUS_S * 1e3]
    if not lags_ms.size:
        return None
    bin_ms = max(BIN_MS, 1e3 / min(recording.channels[index].rate_hz for index in recording.emg_channels))
    places, counts = np.unique(np.floor(lags_ms / bin_ms + 1e-6).astype(int), return_counts=True)
    low, middle, high = (float(value) for value in np.quantile(lags_ms, (0.05, 0.5, 0.95)))
    return LagProof(
        behind="trigger" if triggered else recording.events[0].pulse_from,
        n=int(lags_ms.size),
        median_ms=round(middle, 3),
        low_ms=round(low, 3),
        high_ms=round(high, 3),
        bin_ms=bin_ms,
        bins=tuple(
            (round(float(place * bin_ms), 3), int(number)) for place, number in zip(places, counts, strict=True)
        ),
    )


def _kinds(trials: pd.DataFrame, extra: pd.Series[bool]) -> list[KindProof]:
    """Return one line for each condition; of each stimulus the channel counts that shows most.

    ``extra`` says, by sweep, which stimuli show an artifact too many.
    """
    ordered = trials.sort_values(["sweep", "isi_measured_ms", "artifact_start_ms"], na_position="last", kind="stable")
    stimuli = ordered.groupby("sweep", sort=True).first()
    lines = []
    for (condition, kind, _), alike in stimuli.groupby(["condition", "stim_type", "isi_ms"], dropna=False, sort=True):
        measured = alike["isi_measured_ms"].dropna()
        shown = alike["isi_measured_ms"].notna() if kind == "paired" else alike["artifact_start_ms"].notna()
        lines.append(
            KindProof(
                condition=str(condition or ""),
                stim_type=str(kind),
                isi_ms=_number(float(alike["isi_ms"].iloc[0])),
                n=len(alike),
                as_asked=int((shown & ~extra.loc[alike.index]).sum()),
                isi_median_ms=_number(float(measured.median())) if len(measured) else None,
                isi_least_ms=_number(float(measured.min())) if len(measured) else None,
                isi_most_ms=_number(float(measured.max())) if len(measured) else None,
            )
        )
    return lines


def _number(value: float) -> float | None:
    return None if math.isnan(value) else round(value, 3)


def proof_lines(name: str, proof: dict[str, Any]) -> list[str]:
    """Return a proof in a few lines for a person; ``proof`` as ``DeliveryProof.as_dict`` gives it."""
    lines = [
        f"Pulses of {name}: {proof['stimuli']} stimuli, {proof['with_artifact']} with an artifact" + _faults(proof)
    ]
    lag = proof["lag"]
    if lag:
        lines.append(
            f"  artifacts lie {lag['median_ms']:.2f} ms behind the {lag['behind']} "
            f"(90 % within {lag['low_ms']:.2f} to {lag['high_ms']:.2f} ms, n = {lag['n']})"
        )
    for kind in proof["kinds"]:
        name = " ".join(part for part in (kind["condition"], f"({kind['stim_type']})") if part)
        line = f"  {name}: {kind['as_asked']} of {kind['n']} as asked"
        if kind["isi_median_ms"] is not None:
            span = f"{kind['isi_least_ms']:.2f} to {kind['isi_most_ms']:.2f}"
            line += f", interval {kind['isi_ms']:g} ms given as {kind['isi_median_ms']:.2f} ms ({span})"
        lines.append(line)
    return lines


def _faults(proof: dict[str, Any]) -> str:
    told = [
        f"{word} in {_listed(proof[key])}"
        for key, word in (("missing", "missing"), ("extra", "one too many"))
        if proof[key]
    ]
    if spare := proof["without_stimulus_s"]:
        told.append(f"{len(spare)} pulses that no event names, first at {spare[0]:.2f} s")
    return "; " + "; ".join(told) if told else "; none missing, none too many"


def _listed(sweeps: Sequence[int]) -> str:
    shown = ", ".join(str(sweep) for sweep in sweeps[:6])
    return f"sweep{'s' * (len(sweeps) > 1)} {shown}" + (f" and {len(sweeps) - 6} more" if len(sweeps) > 6 else "")
