"""A stored session of as many invented sweeps as wished, written straight into the journal: for reviews, not for running."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np

from decussa.measuring.sweeps import measure_sweeps
from decussa.model.dialogue import Deliver, Trial
from decussa.model.stimulus import Stimulus
from decussa.model.sweep import Sweep
from decussa.model.trial import Verdict
from decussa.protocol.schema import protocol_hash
from decussa.store.chain import add_entry
from decussa.store.people import add_participant, add_session
from decussa.store.records import Measured, Started
from decussa.store.study import create_study, open_study
from tests.session.stage import SHORT

MUSCLE = "FDI right"
#: Condition, stimulus and size in µV of the three conditions that take turns.
CONDITIONS = (
    ("test", Stimulus.single(60), 800.0),
    ("SICI", Stimulus.paired(36, 60, 3.0), 350.0),
    ("ICF", Stimulus.paired(36, 60, 12.0), 1200.0),
)
#: Every so many sweeps the background is too high, and the trial doubtful.
DOUBTFUL_EVERY = 14
#: Where the coil is asked to be, from this sweep on (counted from 0).
SITE_CM, SITE_FROM = (-5.0, 1.5), 3


def make_session(
    folder: Path, count: int, *, n_samples: int = 1000, rate_hz: float = 2000.0, person: str = "P07", seed: int = 1,
    searching: int = 0,
) -> str:  # fmt: skip
    """Make a study in ``folder`` with one person and one session of ``count`` sweeps; return the session's name.

    The first ``searching`` of them were given to search for the threshold.
    """
    samples = invented_sweeps(count, n_samples, rate_hz, seed)
    onset = round(0.4 * n_samples)
    at = "2026-05-11T14:00:{:02d}.{:03d}Z".format
    with create_study(folder, "short", SHORT, at=at(0, 0)) as study:
        add_participant(study, person, at=at(0, 0))
        session = add_session(study, person, at=at(0, 0))
    kinds = [CONDITIONS[number % 3] for number in range(count)]
    values = measure_sweeps(
        samples, rate_hz, onset, window_ms=(15.0, 50.0), isi_ms=np.array([kind[1].isi_ms for kind in kinds])
    )
    with open_study(folder, write=True) as study, study.database.transaction() as connection:
        started = Started(protocol_sha256=protocol_hash(SHORT), source="replay", version="0.1.0")
        add_entry(connection, session, "started", started, at=at(0, 0))
        for number, (condition, stimulus, _) in enumerate(kinds):
            now = at(number % 60, number % 1000)
            step = "threshold" if number < searching else "paired"
            site = SITE_CM if number == SITE_FROM else None
            request = Deliver(
                stimulus=stimulus, step=step, block=step, condition=condition, muscle=MUSCLE, site_cm=site
            )
            add_entry(connection, session, "asked", request, at=now)
            own = {name: float(column[number]) for name, column in values.items()}
            verdict = Verdict("accept")
            if own["background_rms_uv"] > 10:
                reason = f"background {own['background_rms_uv']:.1f} µV, limit 10"
                verdict = Verdict("doubtful", "background", reason)
            add_entry(
                connection,
                session,
                "answered",
                Trial(number=number + 1, values={MUSCLE: own}, verdict=verdict),
                at=now,
                sweep=Sweep(
                    samples_uv=samples[number : number + 1].copy(),
                    rate_hz=rate_hz,
                    onset_sample=onset,
                    channels=(MUSCLE,),
                ),
                measured=Measured(values={MUSCLE: own}, method="invented", version="0.1.0"),
            )
    return session


def invented_sweeps(count: int, n_samples: int, rate_hz: float, seed: int) -> np.ndarray:
    """Return invented sweeps in µV, float32: noise, artifacts of the pulses, a response of two phases from 22 ms on."""
    rng = np.random.default_rng(seed)
    time_ms = (np.arange(n_samples) - round(0.4 * n_samples)) * 1e3 / rate_hz
    samples = rng.normal(0, 3.0, (count, n_samples))
    since = np.clip(time_ms - 22.0, 0, 12)
    shape = np.where(time_ms > 22, np.sin(2 * np.pi * since / 12), 0.0)
    for number in range(count):
        _, stimulus, size = CONDITIONS[number % 3]
        if number % DOUBTFUL_EVERY == DOUBTFUL_EVERY - 1:
            samples[number] *= 5.0
        for pulse in stimulus.pulses:
            samples[number] += 4000 * np.exp(-(((time_ms - pulse.at_ms - 0.75) / 0.3) ** 2))
        samples[number] += size / 2 * math.exp(rng.normal(0, 0.25)) * shape
    return samples.astype(np.float32)
