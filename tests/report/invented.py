"""Made-up sessions in memory: responses of a simple shape, so that reports can be written of anything."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from decussa.batch.measure import measure_recording
from decussa.batch.summary import summarise
from decussa.model.muscle import muscle_and_side
from decussa.model.recording import Channel, Recording, StimulusEvent
from decussa.model.stimulus import Stimulus
from decussa.recording.held_signals import HeldSweeps

RATE_HZ = 2000.0
BEFORE_MS, AFTER_MS = 600.0, 460.0
SHA256 = "0123456789abcdef" * 4


@dataclass(frozen=True)
class Given:
    """Some stimuli of one kind: how often, how large the response in microvolt, and how strongly contracted."""

    condition: str
    stimulus: Stimulus
    size_uv: float
    times: int = 8
    contraction_pct: float = 0.0


def hand_session(times: int = 8) -> list[Given]:
    """A bit of everything: M-waves, single pulses, a curve, pairs, a silent period."""
    curve = [
        Given("curve", Stimulus.single(mso), 3000 / (1 + math.exp((60 - mso) / 3)), times // 2)
        for mso in (45, 52, 58, 64, 70)
    ]
    return [
        *(Given("Mmax", Stimulus.nerve(current), 9000 * min(current / 12, 1), 2) for current in (4, 8, 12, 16)),
        Given("single", Stimulus.single(60), 900, times),
        *curve,
        Given("test", Stimulus.single(58), 800, times),
        Given("SICI", Stimulus.paired(36, 58, 3.0), 300, times),
        Given("LICI", Stimulus.paired(58, 58, 100.0), 200, times),
        Given("active", Stimulus.single(60), 2500, times, contraction_pct=15.0),
    ]


def make_recording(
    given: Sequence[Given], labels: Sequence[str] = ("FDI right",), *, seed: int = 0, name: str = "sub-Q07_emg.bdf"
) -> Recording:
    """A recording of these stimuli in order, every channel with the same responses and its own noise."""
    rng = np.random.default_rng(seed)
    order = [one for one in given for _ in range(one.times)]
    samples = np.stack([[_sweep(one, rng) for one in order] for _ in labels]).astype(np.float32)
    events = tuple(
        StimulusEvent(
            sweep=number, onset_s=5.5 * number, stimulus=one.stimulus, pulse_from="events", condition=one.condition,
            block="paired" if one.condition in {"test", "SICI", "LICI"} else one.condition,
            contraction_pct=one.contraction_pct,
        )
        for number, one in enumerate(order, 1)
    )  # fmt: skip
    channels = []
    for label in labels:
        muscle, side = muscle_and_side(label)
        channels.append(Channel(name=label, kind="emg", rate_hz=RATE_HZ, muscle=muscle, side=side))
    return Recording(
        name=name, path=name, channels=tuple(channels), events=events,
        signals=HeldSweeps(samples, RATE_HZ, round(BEFORE_MS * RATE_HZ / 1e3), 0.0),
        participant="Q07", session="2", task="hand", start="2026-05-11T14:04:00", duration_s=5.5 * (len(order) + 1),
        sha256=SHA256, notes=("the unit was taken to be uV",), facts={"Age": "31", "Ground": "elbow"},
    )  # fmt: skip


def _sweep(one: Given, rng: np.random.Generator) -> np.ndarray:
    time_ms = np.arange(-BEFORE_MS, AFTER_MS, 1e3 / RATE_HZ)
    active = one.contraction_pct > 0
    sweep = rng.normal(0, 40.0 if active else 2.5, time_ms.size)
    if active:
        sweep[(time_ms > 30) & (time_ms < 140)] *= 0.06
    for pulse in one.stimulus.pulses:
        sweep += 4000 * np.exp(-(((time_ms - pulse.at_ms - 0.75) / 0.3) ** 2))
    size = one.size_uv * math.exp(rng.normal(0, 0.25))
    return sweep + _response(time_ms, size, 5.0 if one.stimulus.stim_type == "nerve" else 22.0)


def _response(time_ms: np.ndarray, size_uv: float, onset_ms: float) -> np.ndarray:
    since = time_ms - onset_ms
    shape = np.where(since > 0, np.sin(2 * np.pi * np.clip(since, 0, 12) / 12), 0.0)
    return size_uv / 2 * shape


def measured(*recordings: Recording) -> tuple[pd.DataFrame, pd.DataFrame]:
    """The trial table and the summary of recordings, by the product's own way."""
    trials = pd.concat([measure_recording(recording) for recording in recordings], ignore_index=True)
    return trials, summarise(trials)
