"""Small archives to measure, and ways to compare what came out."""

import hashlib
import os
import signal
from pathlib import Path

from decussa.batch.one import Job, Outcome, Source, measure_one
from decussa.batch.parts import Part
from decussa.batch.settings import MeasureSettings
from tests.recording.files import RATE_HZ, noise, write_edf

#: The quickest way to measure: what is tried here is the bookkeeping, not the numbers.
QUICK = MeasureSettings(onset="threshold", intervals=False)


def write_archive(root: Path, people: int = 3, runs: int = 2, *, first: int = 1) -> Path:
    """Write a BIDS data set of one muscle with two stimuli in each recording; no two recordings are alike."""
    root.mkdir(parents=True)
    (root / "dataset_description.json").write_text('{"Name": "Invented", "BIDSVersion": "1.11.0"}')
    for person in range(first, first + people):
        folder = root / f"sub-{person:02}" / "emg"
        folder.mkdir(parents=True)
        for run in range(1, runs + 1):
            write_edf(
                folder / f"sub-{person:02}_task-rest_run-{run}_emg.edf",
                {"EMG FDI R": noise(3 * RATE_HZ, seed=100 * person + run)},
                notes=[(1.0, "TMS 52% single"), (2.0, "TMS 60% single")],
            )
    return root


def die_at_one(job: Job, source: Source, known: Part | None = None) -> Outcome:
    """Measure, but end the process at one recording, as a system does that has no memory left."""
    if "sub-02_task-rest_run-1" in source.place:
        os.kill(os.getpid(), signal.SIGKILL)
    return measure_one(job, source, known)


def recordings_of(root: Path) -> list[Path]:
    return sorted(root.rglob("*_emg.edf"))


def bytes_of(folder: Path) -> dict[str, str]:
    """Return the hash of every file of a data set, by its place in it."""
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }
