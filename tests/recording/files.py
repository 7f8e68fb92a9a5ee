"""Recordings to read, written by a general-purpose library and then, where a test wants it, damaged."""

from pathlib import Path

import edfio
import numpy as np

RATE_HZ = 2000


def noise(n_samples: int, seed: int = 0) -> np.ndarray:
    return np.random.default_rng(seed).normal(0, 40, n_samples).clip(-900, 900)


def write_edf(
    path: Path, signals: dict[str, np.ndarray], *, notes=(), unit="uV", rate_hz=RATE_HZ, ends=(-1000, 1000)
) -> Path:
    """Write EDF+ or BDF+ (by ending) with one label for each signal; ``notes`` are (seconds, text)."""
    bdf = path.suffix == ".bdf"
    signal, file = (edfio.BdfSignal, edfio.Bdf) if bdf else (edfio.EdfSignal, edfio.Edf)
    file(
        [
            signal(samples, rate_hz, label=label, physical_dimension=unit, physical_range=ends)
            for label, samples in signals.items()
        ],
        annotations=[edfio.EdfAnnotation(onset, None, text) for onset, text in notes],
        data_record_duration=0.5,
    ).write(path)
    return path


def plain_edf(path: Path, *, seconds: int = 10, notes=((2.0, "TMS 52% single"), (7.0, "TMS 60% single"))) -> Path:
    """Write a recording of one muscle with two stimuli."""
    return write_edf(path, {"EMG FDI R": noise(seconds * RATE_HZ)}, notes=notes)


def put(path: Path, at: int, text: str, width: int) -> None:
    """Write a header field."""
    content = bytearray(path.read_bytes())
    content[at : at + width] = text.encode("latin-1").ljust(width)
    path.write_bytes(bytes(content))


def signal_field(path: Path, field: int, text: str, *, signal: int = 0) -> None:
    """Write a header field of one signal; fields are counted in the order of the standard."""
    widths = (16, 80, 8, 8, 8, 8, 8, 80, 8, 32)
    count = int(path.read_bytes()[252:256])
    put(path, 256 + sum(widths[:field]) * count + widths[field] * signal, text, widths[field])
