"""A process that appends pulses to a session for ever and reports each entry once it is written. Made to be killed."""

from __future__ import annotations

import multiprocessing
from collections.abc import Iterator
from contextlib import contextmanager
from multiprocessing.connection import Connection
from pathlib import Path

from decussa.store.journal import open_journal
from decussa.store.kinds import KINDS
from decussa.store.study import open_study
from tests.store.invented import AT, MEASURED, a_sweep

# A server that has everything imported forks each writer, so that a kill costs no start-up.
_PROCESSES = multiprocessing.get_context("forkserver")
_PROCESSES.set_forkserver_preload(["tests.store.steady_writer"])


def write_for_ever(folder: Path, session: str, n_samples: int, told: Connection) -> None:
    with open_study(folder, write=True) as study, open_journal(study, session) as journal:
        seed = 0
        while True:
            seed += 1
            asked = journal.append("asked", KINDS["asked"].example, at=AT)
            told.send((asked.number, asked.hash))
            sweep = a_sweep(seed, n_samples)
            answered = journal.append("answered", KINDS["answered"].example, at=AT, sweep=sweep, measured=MEASURED)
            told.send((answered.number, answered.hash))


@contextmanager
def steady_writer(folder: Path, n_samples: int) -> Iterator[tuple[multiprocessing.Process, Connection]]:
    """Run the writer in the block; it is killed (SIGKILL) at the end of it."""
    here, there = _PROCESSES.Pipe(duplex=False)
    process = _PROCESSES.Process(target=write_for_ever, args=(folder, "P07-1", n_samples, there))
    process.start()
    there.close()
    try:
        yield process, here
    finally:
        process.kill()
        process.join()


def kill_a_writer(folder: Path, after: int, n_samples: int) -> dict[int, str]:
    """Let a writer report ``after`` entries, kill it, and return the hash of all it had reported by number.

    The kill meets it anywhere in the entries that follow, because it does not wait for the one who listens.
    """
    with steady_writer(folder, n_samples) as (_, told):
        reported = dict(told.recv() for _ in range(after))
    while True:
        try:
            number, own = told.recv()
        except EOFError:
            return reported
        reported[number] = own
