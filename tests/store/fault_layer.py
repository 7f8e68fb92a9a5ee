"""A layer between SQLite and the disk that records every write and sync, and can refuse to write.

It hangs itself into the very SQLite library Python uses (https://www.sqlite.org/vfs.html and sqlite3.h: the layout of
``sqlite3_vfs`` and ``sqlite3_io_methods`` is part of SQLite's stable interface), so what is tested is what runs.
``after_power_cut`` then says what a disk may hold after a cut: everything that was synced, and of the rest any part.
"""

from __future__ import annotations

import _sqlite3
import ctypes
import random
from collections.abc import Iterator
from contextlib import contextmanager
from ctypes import CFUNCTYPE, POINTER, c_char_p, c_int, c_int64, c_void_p
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

SQLITE_OK = 0
SECTOR = 512

# Names go through as bare pointers: SQLite keeps the parameters of a name in the bytes behind it.
OPEN = CFUNCTYPE(c_int, c_void_p, c_void_p, c_void_p, c_int, c_void_p)
DELETE = CFUNCTYPE(c_int, c_void_p, c_void_p, c_int)
WRITE = CFUNCTYPE(c_int, c_void_p, c_void_p, c_int, c_int64)
TRUNCATE = CFUNCTYPE(c_int, c_void_p, c_int64)
SYNC = CFUNCTYPE(c_int, c_void_p, c_int)


class Vfs(ctypes.Structure):
    _fields_ = [
        ("version", c_int), ("file_size", c_int), ("max_path", c_int), ("next", c_void_p), ("name", c_char_p),
        ("data", c_void_p), ("open", OPEN), ("delete", DELETE), ("rest", c_void_p * 14),
    ]  # fmt: skip


class Methods(ctypes.Structure):
    _fields_ = [
        ("version", c_int), ("close", c_void_p), ("read", c_void_p), ("write", WRITE), ("truncate", TRUNCATE),
        ("sync", SYNC), ("rest", c_void_p * 13),
    ]  # fmt: skip


@dataclass(frozen=True)
class Step:
    """One thing that reached the layer, or a mark the test set."""

    act: Literal["write", "truncate", "sync", "delete", "mark"]
    file: str
    at: int = 0
    content: bytes = b""


@dataclass
class Layer:
    """What happened so far; ``refuse_from`` counts writes, after which every one fails with ``refusal``."""

    steps: list[Step] = field(default_factory=list)
    refuse_from: float = float("inf")
    refusal: int = 13
    writes: int = 0

    def mark(self, number: int) -> None:
        """Remember that entry ``number`` was reported as written here."""
        self.steps.append(Step("mark", "", number))

    def refused(self) -> bool:
        self.writes += 1
        return self.writes > self.refuse_from


@contextmanager
def fault_layer() -> Iterator[Layer]:
    """Put the layer under every connection opened in the block."""
    sqlite = ctypes.CDLL(_sqlite3.__file__)
    sqlite.sqlite3_vfs_find.restype = POINTER(Vfs)
    below = sqlite.sqlite3_vfs_find(None)
    layer, names, hung, kept = Layer(), {}, {}, []

    def open_file(vfs, path, file, flags, out):  # noqa: ARG001
        code = below.contents.open(below, path, file, flags, out)
        pointer = c_void_p.from_address(file)
        if code == SQLITE_OK and path and pointer.value:
            names[file] = name_at(path)
            if pointer.value not in hung:
                hung[pointer.value] = hang(Methods.from_address(pointer.value))
            pointer.value = ctypes.addressof(hung[pointer.value])
        return code

    def hang(old: Methods) -> Methods:
        @WRITE
        def write(file, content, size, at):
            if layer.refused():
                return layer.refusal
            layer.steps.append(Step("write", names[file], at, ctypes.string_at(content, size)))
            return old.write(file, content, size, at)

        @TRUNCATE
        def truncate(file, size):
            layer.steps.append(Step("truncate", names[file], size))
            return old.truncate(file, size)

        @SYNC
        def sync(file, flags):
            code = old.sync(file, flags)
            layer.steps.append(Step("sync", names[file]))
            return code

        new = Methods.from_buffer_copy(old)
        new.write, new.truncate, new.sync = write, truncate, sync
        kept.extend((write, truncate, sync, new))
        return new

    def delete_file(vfs, path, sync):  # noqa: ARG001
        layer.steps.append(Step("delete", name_at(path)))
        return below.contents.delete(below, path, sync)

    own = Vfs.from_buffer_copy(below.contents)
    own.name, own.open, own.delete = b"recording", OPEN(open_file), DELETE(delete_file)
    sqlite.sqlite3_vfs_register(ctypes.byref(own), 1)
    try:
        yield layer
    finally:
        sqlite.sqlite3_vfs_register(below, 1)
        sqlite.sqlite3_vfs_unregister(ctypes.byref(own))


def name_at(pointer: int) -> str:
    return Path(ctypes.string_at(pointer).decode()).name


Fate = Literal["all lost", "all there", "any part"]


def after_power_cut(base: dict[str, bytes], steps: list[Step], fate: Fate, seed: int) -> dict[str, bytes]:
    """Return the files a disk may hold when the power goes after ``steps``.

    What was synced is there. Of each write that was not, ``fate`` decides: lost, there, or any of its sectors there.
    """
    random_part = random.Random(seed)
    disk: dict[str, bytearray | None] = {name: bytearray(content) for name, content in base.items()}
    waiting: dict[str, list[Step]] = {}
    for step in steps:
        if step.act == "sync":
            for earlier in waiting.pop(step.file, []):
                _apply(disk, earlier)
        elif step.act != "mark":
            waiting.setdefault(step.file, []).append(step)
    for late in waiting.values():
        for step in late:
            lost = fate == "all lost" or (fate == "any part" and random_part.random() < 0.4)
            if step.act == "delete" and lost:
                break  # the name still leads to the old file: what was written to a new one is out of reach
            if step.act == "write" and fate == "any part" and not lost:
                for piece in _sectors(step):
                    if random_part.random() < 0.7:
                        _apply(disk, piece)
            elif not lost:
                _apply(disk, step)
    return {name: bytes(content) for name, content in disk.items() if content is not None}


def _sectors(step: Step) -> list[Step]:
    return [
        Step("write", step.file, step.at + start, step.content[start : start + SECTOR])
        for start in range(0, len(step.content), SECTOR)
    ]


def _apply(disk: dict[str, bytearray | None], step: Step) -> None:
    if step.act == "delete":
        disk[step.file] = None
        return
    content = disk.get(step.file) or bytearray()
    if step.act == "truncate":
        content = content[: step.at] + bytes(max(0, step.at - len(content)))
    else:
        content += bytes(max(0, step.at - len(content)))
        content[step.at : step.at + len(step.content)] = step.content
    disk[step.file] = content
