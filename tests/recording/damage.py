"""Small healthy recordings in every format, and ways to damage them: shared by the tests and by ``bench/fuzz.py``."""

from __future__ import annotations

import io
import random
import zipfile
import zlib
from collections.abc import Callable
from pathlib import Path

import numpy as np

from decussa.model.errors import DecussaError
from decussa.recording.read import read
from tests.recording.foreign import WRITERS, make_session, write_long
from tests.recording.labs import make_lab

MAPPING = """\
[signals]
unit = "uV"
participant = "P7"

[[channels]]
name = "FDI_R"
muscle = "FDI"
side = "right"

[columns]
intensity_mso = "strength"
isi_ms = "gap"

[sheet]
delimiter = ","
decimal = "."
"""
#: Formats that are damaged; a mapping is damaged beside a healthy table, a sheet of stimuli beside a healthy recording.
KINDS = (*WRITERS, "npy", "toml", "sheet")


def make_healthy(kind: str, folder: Path) -> tuple[Path, Path | None]:
    """Write a small recording; return the file that is to be damaged, and the table to read where that is a mapping."""
    session = make_session(5, labels=("FDI_R",), rate_hz=500, n_stimuli=2)
    if kind == "toml":
        table = write_long(folder / "mapped.csv", session)
        table.write_text(table.read_text().replace(",intensity_mso", ",strength", 1).replace(",isi_ms", ",gap", 1))
        (folder / "a.toml").write_text(MAPPING)
        return folder / "a.toml", table
    if kind == "sheet":
        lab = make_lab(folder, labels=("test", "c3", "c15", "c3"), names=("FDI_R", "ADM_R"))
        lab.mapping()
        return lab.sheet("a.csv"), lab.recording
    if kind == "npy":
        np.save(folder / "a.npy", session.samples_uv)
        (folder / "a.toml").write_text('[signals]\nunit = "uV"\nrate_hz = 500\n')
        return folder / "a.npy", None
    return WRITERS[kind](folder, session), None


def try_to_read(path: Path, mapping: Path | None = None, events: Path | None = None) -> str:
    """Read a recording and cut its sweeps; return what it was refused with, empty where it was read."""
    try:
        recording = read(path, mapping=mapping, events=events)
        for index, channel in enumerate(recording.channels):
            if channel.kind == "emg":
                batch = recording.signals.cut(index, recording.events, 20, 20)
                assert batch.samples_uv.shape[0] == len(recording.events)
                assert not np.isinf(batch.samples_uv).any()
    except DecussaError as refused:
        return str(refused)
    return ""


def read_damaged(kind: str, path: Path, table: Path | None) -> str:
    """Read what was damaged: a recording, or a table by a damaged mapping."""
    if kind == "toml":
        assert table is not None
        return try_to_read(table, path)
    if kind == "sheet":
        assert table is not None
        return try_to_read(table, table.with_name("mapping.toml"), path)
    return try_to_read(path, path.with_suffix(".toml") if kind == "npy" else None)


def _overwrite(content: bytearray, dice: random.Random) -> None:
    at = _place(content, dice)
    put = dice.choice([
        bytes(dice.randrange(256) for _ in range(dice.randint(1, 8))),
        dice.choice([b"\xff", b"\0", b"\x7f"]) * dice.choice([1, 2, 4, 8]),
        str(dice.choice([-1, 0, 1, 1e9, -5e300, "nan", "inf", 2**31, 2**63])).encode()[:8].ljust(8),
        dice.choice([2**31 - 1, 2**32 - 1, 2**40, 2**62, 1, 0]).to_bytes(8, "little")[: dice.choice([2, 4, 8])],
    ])  # fmt: skip
    content[at : at + len(put)] = put


def _flip(content: bytearray, dice: random.Random) -> None:
    content[_place(content, dice)] ^= 1 << dice.randrange(8)


def _delete(content: bytearray, dice: random.Random) -> None:
    at = _place(content, dice)
    del content[at : at + dice.choice([1, 2, 7, 8, 64, 500])]


def _insert(content: bytearray, dice: random.Random) -> None:
    at = _place(content, dice)
    content[at:at] = bytes(dice.randrange(256) for _ in range(dice.choice([1, 2, 7, 8, 64])))


def _copy(content: bytearray, dice: random.Random) -> None:
    source, target, length = _place(content, dice), _place(content, dice), dice.choice([4, 8, 16, 64, 512])
    piece = content[source : source + length]
    content[target : target + len(piece)] = piece


def _cut_off(content: bytearray, dice: random.Random) -> None:
    del content[dice.randrange(len(content) + 1) :]


_WAYS: tuple[tuple[Callable[[bytearray, random.Random], None], int], ...] = (
    (_overwrite, 6), (_flip, 6), (_delete, 1), (_insert, 1), (_copy, 2), (_cut_off, 1),
)  # fmt: skip


def _place(content: bytearray, dice: random.Random) -> int:
    """Return where to damage: mostly in the first bytes, where it hurts, else anywhere."""
    reach = dice.choice([256, 1024, 4096, len(content), len(content)])
    return dice.randrange(min(reach, len(content)) or 1) if content else 0


def damage(content: bytes, seed: int) -> bytes:
    """Return the content with one to four faults; the same seed gives the same faults.

    What is packed is also damaged inside and packed again, since a checksum would give away any other fault.
    """
    dice = random.Random(seed)
    if content.startswith(b"PK") and dice.random() < 0.7:
        return _damage_archive(content, dice)
    if content[124:128] == b"\x00\x01IM" and content[128] == 15 and dice.random() < 0.7:
        return _damage_packed(content, dice)
    return _damage_plain(content, dice)


def _damage_archive(content: bytes, dice: random.Random) -> bytes:
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        members = {name: archive.read(name) for name in archive.namelist()}
    chosen = dice.choice(list(members))
    members[chosen] = _damage_plain(members[chosen], dice)
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        for name, inside in members.items():
            archive.writestr(name, inside)
    return packed.getvalue()


def _damage_packed(content: bytes, dice: random.Random) -> bytes:
    """Damage the first compressed variable of a MAT file inside."""
    length = int.from_bytes(content[132:136], "little")
    inside = zlib.compress(_damage_plain(zlib.decompress(content[136 : 136 + length]), dice))
    return content[:132] + len(inside).to_bytes(4, "little") + inside + content[136 + length :]


def _damage_plain(content: bytes, dice: random.Random) -> bytes:
    changed = bytearray(content)
    for _ in range(dice.choice([1, 1, 1, 2, 4])):
        (way,) = dice.choices([way for way, _ in _WAYS], [weight for _, weight in _WAYS])
        if changed:
            way(changed, dice)
    return bytes(changed)
