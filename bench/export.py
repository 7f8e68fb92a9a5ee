"""A study of virtual people, shared and judged from outside; what is read back is measured again and held against the study.

    python bench/export.py [--people 50] [--study DIR] [--into DIR]

Each person is run by the engine: single pulses and pairs. The official BIDS validator, MNE, pyedflib and pynwb judge the files.
Times are told as shares of measuring the same data set once.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
import warnings
from datetime import UTC, datetime, timedelta
from pathlib import Path

import mne
import numpy as np
import pandas as pd
import pyedflib

from decussa.batch.measure import measure_recording
from decussa.compose.exporting import Sharing, export_study
from decussa.compose.sessions import run_in
from decussa.recording.read import find_recordings, read
from decussa.recording.tables import read_table
from decussa.session.clock import VirtualClock, to_text
from decussa.session.operator import Unattended
from decussa.source.virtual.person import VirtualParticipant
from decussa.source.virtual.source import VirtualSource
from decussa.store.people import add_participant, add_session
from decussa.store.study import create_study, open_study

PROTOCOL = """
[study]
name = "Fifty invented people"
approval = "none needed: nobody was stimulated"

[[muscles]]
muscle = "FDI"
side = "right"
stim_side = "left"
electrodes = "belly and tendon"
nerve_reachable = true

[coil]
type = "figure of eight"
size = "70 mm"
brain_current = "posterior to anterior"

[[steps]]
kind = "single"
intensity = "55 % MSO"
trials = 6

[[steps]]
kind = "paired"
test = "60 % MSO"
trials = 2
  [[steps.conditions]]
  name = "SICI"
  isi_ms = 3
  conditioning = "35 % MSO"
  test = "60 % MSO"
"""
#: What a study under pseudonyms has no true answer to: HED tags are not used, a raw data set has no source.
NOT_OURS = {"HEDVersion", "SourceDatasets"}


def make_study(folder: Path, people: int) -> None:
    """Run a session of each person."""
    morning = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
    create_study(folder, "fifty", PROTOCOL, at=to_text(morning))
    with open_study(folder, write=True) as study:
        for number in range(1, people + 1):
            start = morning + timedelta(days=number)
            pseudonym = f"P{number:02d}"
            add_participant(study, pseudonym, at=to_text(start))
            name = add_session(study, pseudonym, at=to_text(start))
            source = VirtualSource(VirtualParticipant(number, "hand"))
            run_in(study, name, source, Unattended(), clock=VirtualClock(start), seed=number, fresh=False)


def validate(root: Path) -> list[dict[str, str]]:
    """Return what the official validator says that has an answer."""
    command = Path(sys.executable).with_name("bids-validator-deno")
    answer = subprocess.run([command, root, "--format", "json"], capture_output=True, text=True, check=False)
    issues: list[dict[str, str]] = json.loads(answer.stdout)["issues"]["issues"]
    return [issue for issue in issues if issue.get("subCode") not in NOT_OURS]


def read_by_others(root: Path) -> int:
    """Return in how many files MNE and pyedflib find the same samples."""
    alike = 0
    for path in find_recordings([root]):
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            raw = mne.io.read_raw_bdf(path, preload=True, verbose="error")
        with pyedflib.EdfReader(str(path)) as file:
            samples = np.stack([file.readSignal(row) for row in range(file.signals_in_file)])
        alike += bool(np.abs(raw.get_data() * 1e6 - samples).max() < 1e-3)
    return alike


def differences(derived: pd.DataFrame, again: pd.DataFrame) -> list[str]:
    """Return by column how far two trial tables differ: text by the number of rows, numbers by the largest difference."""
    told = []
    for name in derived.columns:
        one, other = derived[name], again[name]
        if not pd.api.types.is_numeric_dtype(one):
            wrong = int((one.fillna("").astype(str) != other.fillna("").astype(str)).sum())
            told += [f"{name}: {wrong} texts"] if wrong else []
            continue
        first, second = one.to_numpy(np.float64), other.to_numpy(np.float64)
        holes = int((np.isnan(first) != np.isnan(second)).sum())
        both = np.isfinite(first) & np.isfinite(second)
        far = np.abs(first[both] - second[both])
        if holes or (far.size and far.max() > 0):
            told.append(
                f"{name}: at most {far.max() if far.size else 0:.2g}, median {np.median(far):.2g}, holes {holes}"
            )
    return told


def main() -> None:
    """Make or take a study, share it, and print what the judges say."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--people", type=int, default=50)
    parser.add_argument("--study", type=Path)
    parser.add_argument("--into", type=Path)
    asked = parser.parse_args()
    place = asked.into or Path(tempfile.mkdtemp())
    place.mkdir(parents=True, exist_ok=True)
    folder = asked.study or place / "study"
    if asked.study is None:
        make_study(folder, asked.people)
    began = time.process_time()
    sharing = Sharing(
        bids=place / "bids", authors=("First Author", "Second Author"), licence="CC0", draft_stimulation=True
    )
    shared = export_study(folder, sharing, say=lambda _: None)
    exporting = time.process_time() - began
    files = find_recordings([place / "bids"])
    began = time.process_time()
    again = pd.concat([measure_recording(read(path)) for path in files], ignore_index=True)
    measuring = time.process_time() - began
    derived = read_table(place / "bids" / "derivatives" / "decussa" / "trials.tsv")
    print(
        f"{shared.sessions} sessions, {len(derived)} trials, {sum(path.stat().st_size for path in files) / 1e6:.1f} MB of BDF+"
    )
    issues = validate(place / "bids")
    print(f"validator: {len(issues)} issues {issues[:3] if issues else ''}")
    print(f"MNE and pyedflib read alike: {read_by_others(place / 'bids')} of {len(files)}")
    print(f"same rows: {len(derived) == len(again)}; columns that differ:")
    for line in differences(derived, again):
        print(f"  {line}")
    print(f"exporting took {exporting / measuring:.2f} of measuring once")


if __name__ == "__main__":
    main()
