"""Invented studies for the tests of the store."""

from __future__ import annotations

import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import numpy as np

from decussa.model.sweep import Sweep
from decussa.store.check import check_study
from decussa.store.journal import Journal, open_journal
from decussa.store.kinds import KINDS
from decussa.store.people import add_participant, add_session
from decussa.store.records import Measured
from decussa.store.study import create_study, open_study

AT = "2026-03-01T09:30:00.250Z"
PROTOCOL_TEXT = '# invented\n[study]\nname = "tried"\n'
MEASURED = Measured(
    values={"FCR left": {"amplitude_uv": 83.5, "latency_ms": float("nan")}}, method="m", version="0.1.0"
)


def a_sweep(seed: int, n_samples: int = 250) -> Sweep:
    samples = np.random.default_rng(seed).normal(0, 20, (2, n_samples)).astype(np.float32)
    samples[0, :3] = np.nan
    return Sweep(
        samples_uv=samples, rate_hz=1000.0, onset_sample=100, channels=("FCR left", "FDI right"), shift_ms=0.25
    )


def write_pulse(journal: Journal, seed: int, n_samples: int = 250) -> list[int]:
    """Append a pulse asked for and its answer; return their numbers."""
    asked = journal.append("asked", KINDS["asked"].example, at=AT)
    answered = journal.append(
        "answered", KINDS["answered"].example, at=AT, sweep=a_sweep(seed, n_samples), measured=MEASURED
    )
    return [asked.number, answered.number]


def a_study(folder: Path, *, people: tuple[str, ...] = ("P07",), pulses: int = 5) -> Path:
    """Make a study with one session of ``pulses`` pulses for each person."""
    with create_study(folder, "forearm", PROTOCOL_TEXT, at=AT) as study:
        for seed, pseudonym in enumerate(people):
            add_participant(study, pseudonym, at=AT)
            with open_journal(study, add_session(study, pseudonym, at=AT)) as journal:
                journal.append("started", KINDS["started"].example, at=AT)
                for pulse in range(pulses):
                    write_pulse(journal, 100 * seed + pulse)
                journal.append("note", KINDS["note"].example, at=AT)
    return folder


def a_copy(study: Path, folder: Path) -> Path:
    return Path(shutil.copytree(study, folder))


def broken(folder: Path) -> list[str]:
    return [finding.sentence() for finding in check_study(folder) if finding.broken]


def change(folder: Path, *statements: str) -> None:
    """Change the study file behind the program's back, with its triggers taken away."""
    with closing(sqlite3.connect(folder / "study.db")) as connection, connection:
        for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            connection.execute(f"DROP TRIGGER {name}")
        for statement in statements:
            connection.execute(statement)


def hashes(folder: Path, session: str = "P07-1") -> dict[int, str]:
    with open_study(folder, write=False) as study, open_journal(study, session) as journal:
        return {entry.number: entry.hash for entry in journal.entries()}
