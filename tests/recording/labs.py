"""A lab's session as it may come in: a recording with pulses, and a sheet of what was given in the lab's own words."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

from tests.recording.files import RATE_HZ, write_edf

#: The lab's label, interval (0 for a single pulse), intensity of test and conditioning pulse.
KINDS = {"test": (0, 70, ""), "c3": (3, 70, 40), "c15": (15, 70, 40)}
SAMPLE_S = 1 / RATE_HZ


@dataclass(frozen=True)
class Lab:
    """What was given, and where the files are."""

    folder: Path
    onsets_s: np.ndarray
    labels: list[str]
    recording: Path
    frame: pd.DataFrame = field(repr=False)

    def sheet(self, name: str = "sheet.csv", frame: pd.DataFrame | None = None, **how) -> Path:
        """Write the sheet by pandas: semicolons and decimal commas unless said otherwise."""
        path = self.folder / name
        (self.frame if frame is None else frame).to_csv(path, index=False, **({"sep": ";", "decimal": ","} | how))
        return path

    def mapping(self, text: str = "", name: str = "mapping.toml") -> Path:
        path = self.folder / name
        path.write_text(text or MAPPING, encoding="utf-8")
        return path


MAPPING = """
[columns]
onset = "Zeit"
intensity_mso = "TS"
cond_intensity_mso = "CS"
isi_ms = "ISI [ms]"
label = "Art"

[[labels]]
label = "c3"
stim_type = "paired"
condition = "SICI"

[[labels]]
label = "c15"
stim_type = "paired"
condition = "ICF"

[[labels]]
label = "test"
stim_type = "single"
"""


def artifact(length: int, at: int, height: float, rate_hz: int = RATE_HZ) -> np.ndarray:
    """A damped swing from sample ``at`` on."""
    late_ms = np.clip(np.arange(length) - at, 0, None) * 1e3 / rate_hz
    swing = height * np.cos(2 * np.pi * late_ms / 1.3) * np.exp(-late_ms / 0.4)
    return np.where(np.arange(length) >= at, swing, 0.0)


def response(length: int, at: int, size_uv: float, rate_hz: int = RATE_HZ) -> np.ndarray:
    """A response 20 ms after sample ``at``: two swings over 12 ms."""
    late_ms = (np.arange(length) - at) * 1e3 / rate_hz - 20
    return np.where((late_ms >= 0) & (late_ms < 12), 0.5 * size_uv * np.sin(2 * np.pi * late_ms / 12), 0.0)


def make_lab(
    folder: Path,
    *,
    seed: int = 0,
    labels: tuple[str, ...] = ("test", "c3", "c15", "test", "c15", "c3", "test", "c3"),
    trigger: str = "test",
    names: tuple[str, str] = ("FDI_R", "ADM_R"),
    suffix: str = ".bdf",
) -> Lab:
    """Invent a session.

    Parameters
    ----------
    trigger : {"test", "first", "both", "none"}
        Which pulses the trigger channel marks.
    """
    rng = np.random.default_rng(seed)
    gaps_s = rng.uniform(3.0, 5.0, len(labels))
    at = np.rint(np.cumsum(gaps_s) * RATE_HZ).astype(int)
    length = int(at[-1] + 3 * RATE_HZ) // 1000 * 1000
    signals = {name: rng.normal(0, 4, length) for name in names}
    ttl = np.zeros(length)
    for sample, label in zip(at, labels, strict=True):
        first = sample - KINDS[label][0] * RATE_HZ // 1000
        for number, name in enumerate(names):
            signals[name] += artifact(length, sample, 700 - 100 * number)
            signals[name] += response(length, sample, 250.0)
            if first != sample:
                signals[name] += artifact(length, first, 400 - 50 * number)
        for mark in {"test": {sample}, "first": {first}, "both": {first, sample}, "none": set()}[trigger]:
            ttl[mark : mark + 2] = 900
    signals = {name: line.clip(-990, 990) for name, line in signals.items()}
    if trigger != "none":
        signals["TTL"] = ttl
    recording = write_edf(folder / f"session{suffix}", signals)
    kinds = [KINDS[label] for label in labels]
    frame = pd.DataFrame(
        {
            "Nr": range(1, len(labels) + 1),
            "Zeit": np.round(at / RATE_HZ, 3),
            "TS": [kind[1] for kind in kinds],
            "CS": [kind[2] for kind in kinds],
            "ISI [ms]": [kind[0] or "" for kind in kinds],
            "Art": labels,
        }
    )
    return Lab(folder, at / RATE_HZ, list(labels), recording, frame)
