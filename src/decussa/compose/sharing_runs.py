"""The recordings of a shared session: its sweeps one after the other, with their channels and events."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC

import numpy as np

from decussa.compose.shared_sessions import TASK, Piece, SharedSession
from decussa.compose.stored import given_stimuli, operator_verdicts, search_steps
from decussa.model.muscle import muscle_and_side
from decussa.model.recording import Channel, StimulusEvent, Windows
from decussa.model.trial import Verdict
from decussa.protocol.schema import Protocol
from decussa.recording.bids_run import Electrodes, RunToWrite
from decussa.session.measuring import window_of
from decussa.store.chain import Entry
from decussa.store.preparing import ElectrodesOn


def runs_of(shared: SharedSession) -> list[RunToWrite]:
    """Return a session's recordings: its sweeps one after the other, each a stretch of its own."""
    return [_run(shared, number, piece) for number, piece in enumerate(shared.pieces)]


def _run(shared: SharedSession, number: int, piece: Piece) -> RunToWrite:
    rate_hz = piece.sweeps[0].rate_hz
    samples_uv = np.concatenate([sweep.samples_uv for sweep in piece.sweeps], axis=1)
    # A file holds whole records: what is missing to a full second is filled with zeros, outside of every stretch.
    missing = -samples_uv.shape[1] % max(1, math.floor(rate_hz))
    samples_uv = np.pad(samples_uv, ((0, 0), (0, missing)))
    return RunToWrite(
        participant=shared.label,
        session=shared.session,
        task=TASK,
        run=str(number + 1) if len(shared.pieces) > 1 else "",
        samples_uv=samples_uv,
        rate_hz=rate_hz,
        channels=_channels(shared, piece, samples_uv),
        events=events_of(shared, piece),
        start=shared.start.astimezone(UTC),
        task_description=task_words(shared),
        instructions="Relax, or hold the contraction that the column contraction_pct names, as the operator says",
        placement=placement_words(shared),
        reference="bipolar, as described for each channel",
        power_line_hz=math.nan,
        electrodes=_electrodes(shared),
        has_gaps=True,
        skin=_skin(shared.entries),
    )


def task_words(shared: SharedSession) -> str:
    """Return what was done in a session, in a few words."""
    virtual = "Rehearsal on a virtual participant: no person was stimulated. " if shared.rehearsal else ""
    return f"{virtual}{shared.protocol.study.name}. {_coil(shared.protocol)}"


def placement_words(shared: SharedSession) -> str:
    """Return where the electrodes of each muscle are."""
    return "; ".join(f"{label}: {one.placement}" for label, one in _electrodes(shared).items()) or "not stated"


def _channels(shared: SharedSession, piece: Piece, samples_uv: np.ndarray) -> tuple[Channel, ...]:
    channels = []
    for row, label in enumerate(piece.sweeps[0].channels):
        muscle, side = muscle_and_side(label)
        bare = Channel(name=label, kind="emg", rate_hz=piece.sweeps[0].rate_hz, muscle=muscle, side=side)
        windows = Windows(window_of(bare, shared.protocol, nerve=False), window_of(bare, shared.protocol, nerve=True))
        rails = _rails(piece, label, samples_uv[row])
        channels.append(replace(bare, windows=windows, low_uv=rails[0], high_uv=rails[1]))
    return tuple(channels)


def _rails(piece: Piece, label: str, samples_uv: np.ndarray) -> tuple[float, float]:
    """Return the ends of the converter's range where sweeps were seen to reach them; infinite where none did."""
    clipped = any(given.trial.value(label, "clipped_samples") > 0 for given in piece.given)
    rail = float(np.abs(samples_uv).max())
    prints = float(f"{rail:.7g}") == rail
    return (-rail, rail) if clipped and prints else (-math.inf, math.inf)


def events_of(shared: SharedSession, piece: Piece) -> tuple[StimulusEvent, ...]:
    """Return the stimuli of a recording, each with its stretch."""
    said = operator_verdicts(shared.entries)
    searches = search_steps(shared.protocol)
    recording = f"{shared.stem(shared.pieces.index(piece))}_emg.bdf"
    own = shared.trials[shared.trials["recording"] == recording]
    stop_within = dict(zip(own["sweep"], own["stop_within"].astype(float), strict=True))
    sites = _sites(shared.entries)
    events, at = [], 0
    for number, (given, sweep) in enumerate(zip(piece.given, piece.sweeps, strict=True), start=1):
        request, end = given.request, at + sweep.samples_uv.shape[1]
        planned = next((muscle for muscle in shared.protocol.muscles if muscle.label == request.muscle), None)
        verdict: Verdict = said.get(given.entry.number, given.trial.verdict)
        events.append(
            StimulusEvent(
                sweep=number,
                onset_s=(at + sweep.onset_sample) / sweep.rate_hz + sweep.shift_ms / 1e3,
                stimulus=request.stimulus,
                pulse_from="events",
                condition=request.step if request.step in searches else request.condition,
                block=request.block,
                contraction_pct=request.contraction_pct,
                stim_side=planned.stim_side if planned is not None else "",
                target=request.muscle,
                session_s=given.onset_s,
                stop_within=stop_within[number],
                segment_s=(at / sweep.rate_hz, end / sweep.rate_hz),
                verdict=verdict,
                site_right_cm=sites[given.entry.number][0],
                site_front_cm=sites[given.entry.number][1],
            )
        )
        at = end
    return tuple(events)


def _sites(entries: Sequence[Entry]) -> dict[int, tuple[float, float]]:
    """Return by the entry of an answer where the coil was asked to be: it stays where it was until another site is asked for."""
    sites, now = {}, (math.nan, math.nan)
    for given in given_stimuli(entries):
        if given.request.stimulus.stim_type != "nerve":
            now = given.request.site_cm or now
        sites[given.entry.number] = now if given.request.stimulus.stim_type != "nerve" else (math.nan, math.nan)
    return sites


def _electrodes(shared: SharedSession) -> dict[str, Electrodes]:
    """Return by muscle where the electrodes are: as they were put on, else as the protocol wants them."""
    found = {muscle.label: Electrodes(placement=muscle.electrodes) for muscle in shared.protocol.muscles}
    for entry in shared.entries:
        if isinstance(entry.body, ElectrodesOn):
            on = entry.body
            found[on.muscle] = Electrodes(
                placement=on.placement, distance_mm=on.distance_mm, impedance_kohm=on.impedance_kohm
            )
    return found


def _skin(entries: Sequence[Entry]) -> str:
    said = dict.fromkeys(entry.body.skin for entry in entries if isinstance(entry.body, ElectrodesOn))
    return "; ".join(text for text in said if text) or "n/a"


def _coil(protocol: Protocol) -> str:
    coil = protocol.coil
    told = {
        "coil": ", ".join(part for part in (coil.type, coil.size) if part),
        "pulse": coil.pulse_shape,
        "orientation": coil.orientation,
        "current in the coil": coil.coil_current,
        "current in the brain": coil.brain_current,
    }
    return "; ".join(f"{name}: {text}" for name, text in told.items() if text).capitalize() + "."
