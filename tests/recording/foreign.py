"""One session, written in many formats by the libraries that others use for them, never by the product's own code.

XDF has no library that writes it: ``write_xdf`` follows the published format, version 1.0. So it is with the layout of MAT 7.3,
which is written through h5py.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import h5py
import numpy as np
import pandas as pd
import pyedflib
from scipy.io import savemat

#: Samples lie on steps of this size, so that 16 bits over ``RANGE_UV`` and every wider format hold them exactly.
STEP_UV = 0.125
RANGE_UV = (-4096.0, 4095.875)
#: Samples before and after the pulse in formats that hold sweeps already cut; more than measuring asks for.
BEFORE_S, AFTER_S = 0.25, 0.5


@dataclass(frozen=True)
class Stim:
    """One stimulus as it was given."""

    onset_s: float
    kind: str
    mso: float
    cond: float = np.nan
    isi_ms: float = np.nan

    @property
    def text(self) -> str:
        if self.kind == "paired":
            return f"TMS paired CS {self.cond:g}% TS {self.mso:g}% ISI {self.isi_ms:g} ms"
        return f"TMS {self.mso:g}% single"


@dataclass(frozen=True)
class Session:
    """Samples of shape (n_channels, n_samples) in microvolt on steps of ``STEP_UV``, labels, rate, stimuli."""

    samples_uv: np.ndarray
    labels: tuple[str, ...]
    rate_hz: int
    stimuli: tuple[Stim, ...]
    seconds: float = field(default=0.0)

    def column(self, name: str) -> np.ndarray:
        return np.array([getattr(stim, name) for stim in self.stimuli])

    def sweeps_uv(self) -> np.ndarray:
        """Sweeps of shape (n_channels, n_sweeps, n_samples) around the stimuli."""
        before, after = round(BEFORE_S * self.rate_hz), round(AFTER_S * self.rate_hz)
        firsts = [round(stim.onset_s * self.rate_hz) - before for stim in self.stimuli]
        return np.stack([self.samples_uv[:, first : first + before + after] for first in firsts], axis=1)


def make_session(seed: int = 0, *, labels=("FDI_R", "ADM_R"), rate_hz: int = 2000, n_stimuli: int = 4) -> Session:
    """Invent a session: noise, an artifact and a response to each stimulus, which lies on a sample."""
    rng = np.random.default_rng(seed)
    seconds = 2 * n_stimuli + 2
    samples = rng.normal(0, 4, (len(labels), seconds * rate_hz))
    stimuli = []
    for number in range(n_stimuli):
        onset = round((1.5 + 2 * number + rng.uniform(0, 0.4)) * rate_hz)
        paired = bool(rng.integers(2))
        stim = Stim(
            onset / rate_hz,
            "paired" if paired else "single",
            float(rng.integers(40, 90)),
            float(rng.integers(30, 40)) if paired else np.nan,
            float(rng.integers(2, 15)) if paired else np.nan,
        )
        stimuli.append(stim)
        pulses = [onset] + ([onset - round(stim.isi_ms / 1e3 * rate_hz)] if paired else [])
        for pulse in pulses:
            samples[:, pulse : pulse + 3] += np.array([900.0, -700.0, 200.0])
        time_ms = np.arange(round(0.06 * rate_hz)) / rate_hz * 1e3
        for channel in range(len(labels)):
            size = rng.uniform(100, 1500)
            wave = size * np.sin((time_ms - 22) / 3.5) * np.exp(-(((time_ms - 27) / 5) ** 2))
            samples[channel, onset : onset + wave.size] += wave
    samples = np.clip(np.round(samples / STEP_UV) * STEP_UV, *RANGE_UV)
    return Session(samples, tuple(labels), rate_hz, tuple(stimuli), float(seconds))


def write_edf(path: Path, session: Session) -> Path:
    """Write EDF+ or BDF+ (by ending) with pyedflib; stimuli are annotations."""
    bdf = path.suffix == ".bdf"
    kind = pyedflib.FILETYPE_BDFPLUS if bdf else pyedflib.FILETYPE_EDFPLUS
    with pyedflib.EdfWriter(str(path), len(session.labels), file_type=kind) as writer:
        writer.setSignalHeaders(
            [
                {
                    "label": f"EMG {label}",
                    "dimension": "uV",
                    "sample_frequency": session.rate_hz,
                    "physical_min": RANGE_UV[0],
                    "physical_max": RANGE_UV[1],
                    "digital_min": -(2**15),
                    "digital_max": 2**15 - 1,
                    "transducer": "",
                    "prefilter": "",
                }
                for label in session.labels
            ]
        )
        steps = np.round(session.samples_uv / STEP_UV).astype(np.int32)
        writer.writeSamples([np.ascontiguousarray(line) for line in steps], digital=True)
        for stim in session.stimuli:
            writer.writeAnnotation(stim.onset_s, -1, stim.text)
    return path


def make_discontinuous(path: Path, gaps_s: dict[int, float]) -> Path:
    """Turn EDF+C or BDF+C into EDF+D or BDF+D: a gap of so many seconds lies before each data record that is named.

    What is annotated later moves along, wherever in the file it stands.
    """
    content = bytearray(path.read_bytes())
    content[192:197] = content[192:197].replace(b"+C", b"+D")
    count, at, record_s = int(content[252:256]), int(content[184:192]), float(content[244:252])
    labels = [content[256 + 16 * i : 272 + 16 * i].decode().strip() for i in range(count)]
    per_record = [int(content[256 + 216 * count + 8 * i : 264 + 216 * count + 8 * i]) for i in range(count)]
    width = 3 if content[0] == 255 else 2
    carrier = next(i for i, label in enumerate(labels) if label.endswith("Annotations"))
    at += sum(per_record[:carrier]) * width
    n_bytes = per_record[carrier] * width

    def moved(item: bytes) -> bytes:
        when, rest = item.split(b"\x14", 1)
        shift = sum(gap for record, gap in gaps_s.items() if float(when) >= record * record_s)
        return f"{float(when) + shift:+.6f}".encode() + b"\x14" + rest

    while at < len(content):
        items = [moved(item) for item in bytes(content[at : at + n_bytes]).split(b"\0") if item]
        content[at : at + n_bytes] = (b"\0".join(items) + b"\0").ljust(n_bytes, b"\0")
        at += sum(per_record) * width
    path.write_bytes(bytes(content))
    return path


def _varlen(number: int) -> bytes:
    return b"\x01" + struct.pack("<B", number) if number < 256 else b"\x04" + struct.pack("<I", number)


def _chunk(tag: int, body: bytes) -> bytes:
    return _varlen(len(body) + 2) + struct.pack("<H", tag) + body


def _stream_header(number: int, name: str, kind: str, n_channels: int, rate_hz: float, form: str, channels="") -> bytes:
    return _chunk(
        2,
        struct.pack("<I", number)
        + (
            f'<?xml version="1.0"?><info><name>{name}</name><type>{kind}</type><channel_count>{n_channels}</channel_count>'
            f"<nominal_srate>{rate_hz:g}</nominal_srate><channel_format>{form}</channel_format>"
            f"<desc><channels>{channels}</channels></desc></info>"
        ).encode(),
    )


def write_xdf(
    path: Path, session: Session, *, clock_s: float = 100.0, offset_s: float = 0.0, lost: slice | None = None
) -> Path:
    """Write XDF 1.0: a stream of EMG in float32, one of markers whose clock runs ``offset_s`` ahead, with offsets measured.

    ``lost`` samples were never recorded; the stamps of the others stay.
    """
    n = session.samples_uv.shape[1]
    kept = np.ones(n, dtype=bool)
    if lost is not None:
        kept[lost] = False
    index = np.flatnonzero(kept)
    samples = session.samples_uv[:, index].T.astype("<f4")
    stamps = clock_s + index / session.rate_hz
    named = "".join(
        f"<channel><label>{label}</label><unit>microvolts</unit><type>EMG</type></channel>" for label in session.labels
    )
    out = [b"XDF:", _chunk(1, b'<?xml version="1.0"?><info><version>1.0</version></info>')]
    out.append(_stream_header(1, "arm", "EMG", len(session.labels), session.rate_hz, "float32", named))
    out.append(_stream_header(2, "notes", "Markers", 1, 0, "string"))
    for start in range(0, index.size, 500):
        rows = range(start, min(start + 500, index.size))
        body = b"".join(b"\x08" + struct.pack("<d", stamps[row]) + samples[row].tobytes() for row in rows)
        out.append(_chunk(3, struct.pack("<I", 1) + _varlen(len(rows)) + body))
    out += [
        _chunk(4, struct.pack("<Idd", number, at - shift, shift))
        for number, shift in ((1, 0.0), (2, -offset_s))
        for at in (clock_s, clock_s + session.seconds / 2, clock_s + session.seconds)
    ]
    for stim in session.stimuli:
        text = stim.text.encode()
        at = clock_s + stim.onset_s + offset_s
        out.append(
            _chunk(3, struct.pack("<I", 2) + _varlen(1) + b"\x08" + struct.pack("<d", at) + _varlen(len(text)) + text)
        )
    out += [_chunk(6, struct.pack("<I", number) + b'<?xml version="1.0"?><info></info>') for number in (1, 2)]
    path.write_bytes(b"".join(out))
    return path


def _columns(session: Session) -> dict[str, np.ndarray]:
    return {
        "onset_s": session.column("onset_s"),
        "intensity_mso": session.column("mso"),
        "cond_intensity_mso": session.column("cond"),
        "isi_ms": session.column("isi_ms"),
    }


def write_mat5(path: Path, session: Session, *, cut: bool) -> Path:
    """Write MAT 5 with SciPy, in volts: sweeps already cut (sweep x sample x channel), or continuous (sample x channel)."""
    labels = np.array([list(session.labels)], dtype=object)
    if cut:
        emg = np.moveaxis(session.sweeps_uv(), 0, 2) * 1e-6
        savemat(
            path,
            {"emg": emg, "fs": session.rate_hz, "pre_s": BEFORE_S, "muscles": labels, "unit": "V", **_columns(session)},
        )
    else:
        savemat(
            path,
            {"data": {"emg": session.samples_uv.T * 1e-6, "SamplingRate": float(session.rate_hz), "labels": labels, "unit": "V"},
             "stim": _columns(session)},
            do_compression=True,
        )  # fmt: skip
    return path


def write_mat73(path: Path, session: Session) -> Path:
    """Write the layout of MAT 7.3 through h5py: axes reversed, text as numbers, cells as references, sweeps already cut."""
    with h5py.File(path, "w", userblock_size=512) as file:
        refs = file.create_group("#refs#")

        def text(group: h5py.Group, name: str, value: str) -> h5py.Dataset:
            units = np.array([[ord(letter)] for letter in value], dtype=np.uint16)
            made = group.create_dataset(name, data=units)
            made.attrs["MATLAB_class"] = np.bytes_("char")
            made.attrs["MATLAB_int_decode"] = np.int32(2)
            return made

        def number(name: str, value: np.ndarray) -> None:
            made = file.create_dataset(name, data=np.atleast_2d(np.asarray(value, dtype=np.float64)).transpose())
            made.attrs["MATLAB_class"] = np.bytes_("double")

        emg = file.create_dataset(
            "emg", data=np.moveaxis(session.sweeps_uv(), 0, 2).transpose() / 1e3, compression="gzip"
        )
        emg.attrs["MATLAB_class"] = np.bytes_("double")
        cell = file.create_dataset("labels", (len(session.labels), 1), dtype=h5py.ref_dtype)
        for place, label in enumerate(session.labels):
            cell[place, 0] = text(refs, chr(ord("a") + place), label).ref
        cell.attrs["MATLAB_class"] = np.bytes_("cell")
        text(file, "unit", "mV")
        for name, value in {"fs": session.rate_hz, "pre_ms": BEFORE_S * 1e3, **_columns(session)}.items():
            number(name, value)
    content = bytearray(path.read_bytes())
    content[:128] = b"MATLAB 7.3 MAT-file, Platform: invented".ljust(116) + bytes(8) + b"\x00\x02IM"
    path.write_bytes(bytes(content))
    return path


def write_hdf5(path: Path, session: Session) -> Path:
    """Write HDF5 with h5py: continuous integers with a unit and attributes beside them, a table of stimuli, a trigger."""
    with h5py.File(path, "w") as file:
        file.attrs["subject"] = "P7"
        for label, line in zip(session.labels, session.samples_uv, strict=True):
            made = file.create_dataset(f"recording/{label}", data=line * 1e-3, chunks=(1000,), compression="gzip")
            made.attrs["units"] = "mV"
        file["recording"].attrs["sampling_rate"] = session.rate_hz
        events = file.create_group("stimuli")
        for name, value in _columns(session).items():
            events[name] = value
        events.create_dataset("stim_type", data=[stim.kind for stim in session.stimuli], dtype=h5py.string_dtype())
    return path


def write_npz(path: Path, session: Session) -> Path:
    """Write an archive with NumPy: sweeps already cut (channel x sweep x sample), with their times in ms."""
    sweeps = session.sweeps_uv()
    time_ms = (np.arange(sweeps.shape[2]) / session.rate_hz - BEFORE_S) * 1e3
    np.savez_compressed(
        path, sweeps=sweeps, time_ms=time_ms, channels=np.array(session.labels), unit="uV", **_columns(session)
    )
    return path


def write_nwb(path: Path, session: Session) -> Path:
    """Write NWB 2 with pynwb: integers with a conversion to volts, electrodes with labels, trials."""
    from pynwb import NWBHDF5IO, NWBFile
    from pynwb.ecephys import ElectricalSeries
    from pynwb.file import Subject

    file = NWBFile("invented", "invented", datetime(2026, 1, 1, tzinfo=UTC), session_id="2")
    file.subject = Subject(subject_id="P7", species="Homo sapiens", age="P30Y", sex="U")
    device = file.create_device("amplifier")
    group = file.create_electrode_group("arm", "surface", "forearm", device)
    file.add_electrode_column("label", "name of the channel")
    for label in session.labels:
        file.add_electrode(group=group, location="forearm", label=label)
    region = file.create_electrode_table_region(list(range(len(session.labels))), "all")
    steps = np.round(session.samples_uv.T / STEP_UV).astype(np.int16)
    file.add_acquisition(
        ElectricalSeries(
            name="EMG",
            data=steps,
            electrodes=region,
            starting_time=3.0,
            rate=float(session.rate_hz),
            conversion=STEP_UV * 1e-6,
        )
    )
    for name in ("stim_type", "intensity_mso", "cond_intensity_mso", "isi_ms"):
        file.add_trial_column(name, name)
    for stim in session.stimuli:
        file.add_trial(
            start_time=3.0 + stim.onset_s, stop_time=3.5 + stim.onset_s, stim_type=stim.kind, intensity_mso=stim.mso,
            cond_intensity_mso=stim.cond, isi_ms=stim.isi_ms,
        )  # fmt: skip
    with NWBHDF5IO(path, "w") as io:
        io.write(file)
    return path


def write_long(path: Path, session: Session) -> Path:
    """Write sweeps already cut as CSV or TSV (by ending) with pandas, a row for each sample."""
    sweeps = session.sweeps_uv()
    n_sweeps, n_samples = sweeps.shape[1:]
    frame = pd.DataFrame(
        {
            "sweep": np.repeat(np.arange(1, n_sweeps + 1), n_samples),
            "time_ms": np.tile(
                (np.arange(n_samples) - round(BEFORE_S * session.rate_hz)) / session.rate_hz * 1e3, n_sweeps
            ),
            **{f"{label}_uv": sweeps[channel].reshape(-1) for channel, label in enumerate(session.labels)},
            **{name: np.repeat(value, n_samples) for name, value in _columns(session).items()},
        }
    )
    frame.to_csv(path, index=False, sep="\t" if path.suffix == ".tsv" else ",")
    return path


WRITERS = {
    "edf": lambda folder, session: write_edf(folder / "a.edf", session),
    "bdf": lambda folder, session: write_edf(folder / "a.bdf", session),
    "edf+d": lambda folder, session: make_discontinuous(write_edf(folder / "d.edf", session), {}),
    "bdf+d": lambda folder, session: make_discontinuous(write_edf(folder / "d.bdf", session), {}),
    "xdf": lambda folder, session: write_xdf(folder / "a.xdf", session, offset_s=7.5),
    "mat5 cut": lambda folder, session: write_mat5(folder / "cut.mat", session, cut=True),
    "mat5": lambda folder, session: write_mat5(folder / "a.mat", session, cut=False),
    "mat73": lambda folder, session: write_mat73(folder / "73.mat", session),
    "hdf5": lambda folder, session: write_hdf5(folder / "a.h5", session),
    "npz": lambda folder, session: write_npz(folder / "a.npz", session),
    "nwb": lambda folder, session: write_nwb(folder / "a.nwb", session),
    "csv": lambda folder, session: write_long(folder / "a.csv", session),
    "tsv": lambda folder, session: write_long(folder / "a.tsv", session),
}
