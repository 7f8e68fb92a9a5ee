"""Who does the work: this process, several processes of this machine, or a Dask cluster.

Each yields outcomes in the order of the tasks and holds only so many tasks in hand, so that memory does not grow with the
archive. A worker that dies takes nothing with it: what it had in hand is done again.
"""

from __future__ import annotations

import logging
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from itertools import islice
from multiprocessing import get_all_start_methods, get_context
from typing import Any

from decussa.batch.one import Job, Outcome, Source, measure_one
from decussa.batch.parts import Part
from decussa.model.errors import MachineError, MissingPartError, UsageError

#: Tasks in hand for each worker: enough that none waits for a slow neighbour; fewer where results carry their rows along.
IN_HAND, IN_HAND_WITH_ROWS = 16, 4

#: How long a cluster may take to answer.
ANSWER_S = "15s"


@dataclass(frozen=True, slots=True)
class Task:
    """A recording to measure, and the part that holds its rows already, if there is one."""

    source: Source
    known: Part | None = None


def in_turn(job: Job, tasks: Iterable[Task], progress: Callable[[int, int], None] | None = None) -> Iterator[Outcome]:
    """Measure one recording after the other in this process; ``progress`` hears of sweeps done and in all."""
    for task in tasks:
        yield measure_one(job, task.source, task.known, progress)


def in_processes(job: Job, tasks: Iterable[Task], workers: int) -> Iterator[Outcome]:
    """Measure in ``workers`` processes of this machine.

    A recording in whose hands a process dies is tried once more in a process of its own; if that dies too, it is refused.
    """
    waiting = iter(tasks)
    again: deque[Task] = deque()
    while True:
        pool = _processes(workers)
        held: deque[tuple[Task, Future[Outcome]]] = deque()
        try:
            while True:
                while len(held) < _in_hand(job) * workers and (task := _next(again, waiting)) is not None:
                    held.append((task, _submit(pool, job, task)))
                if not held:
                    return
                yield held[0][1].result()
                held.popleft()
        except BrokenProcessPool:
            finished = [(task, _result(future)) for task, future in held]
        finally:
            pool.shutdown(wait=True, cancel_futures=True)
        # Tasks are taken in order, so what the dead process had in hand is among the first that have no result.
        suspects = [index for index, (_, outcome) in enumerate(finished) if outcome is None][: 2 * workers]
        keep_order = 0
        for index, (task, outcome) in enumerate(finished):
            if index > max(suspects, default=-1):
                break
            yield outcome or _alone(job, task)
            keep_order = index + 1
        again = deque([*(task for task, _ in finished[keep_order:]), *again])


def on_cluster(job: Job, tasks: Iterable[Task], address: str) -> Iterator[Outcome]:
    """Measure on the Dask cluster whose scheduler answers at ``address``.

    Paths must mean the same on every worker: a shared disk, or a store. A worker that is lost is replaced by the others.

    Raises
    ------
    MissingPartError
        If the library for clusters is not installed.
    UsageError
        If ``address`` is no address.
    MachineError
        If the cluster does not answer, has no worker, is lost, or runs another version of the program.
    """
    try:
        from distributed import Client
    except ImportError as error:
        raise MissingPartError(
            "clusters need a part that is not installed",
            where=address,
            do="in the program's folder: pip install '.[cluster]'",
        ) from error
    try:
        client = Client(address, timeout=ANSWER_S, set_as_default=False)
    except (OSError, TimeoutError) as error:
        raise MachineError("cluster does not answer", where=address, do="start it, or correct the address") from error
    except ValueError as error:
        raise UsageError("not the address of a scheduler", where=address, expected="tcp://HOST:PORT") from error
    # A lost worker's results are made again: that is not the reader's to act on.
    logging.getLogger("distributed.client").setLevel(logging.ERROR)
    with client:
        yield from _gather(client, job, tasks, address)


def _gather(client: Any, job: Job, tasks: Iterable[Task], address: str) -> Iterator[Outcome]:
    from distributed import KilledWorker

    threads = sum(client.nthreads().values())
    if not threads:
        raise MachineError(
            "cluster has no worker", where=address, do="start one with: dask worker ADDRESS --nthreads 1"
        )
    waiting = iter(tasks)
    held: deque[tuple[Task, Any]] = deque()
    while True:
        for task in islice(waiting, _in_hand(job) * threads - len(held)):
            held.append((task, client.submit(measure_one, job, task.source, task.known, pure=False)))
        if not held:
            return
        task, future = held.popleft()
        try:
            outcome: Outcome = future.result()
        except KilledWorker:
            outcome = _refused(
                task, "every worker that took this recording ended", "measure it alone, with more memory"
            )
        except MachineError:
            raise
        except Exception as error:
            raise MachineError(
                "cluster was lost", where=address, found=f"{type(error).__name__}: {error}", do="run again; it goes on"
            ) from error
        yield outcome


def _in_hand(job: Job) -> int:
    return IN_HAND_WITH_ROWS if job.parts is None else IN_HAND


def _next(again: deque[Task], waiting: Iterator[Task]) -> Task | None:
    return again.popleft() if again else next(waiting, None)


def _processes(workers: int) -> ProcessPoolExecutor:
    """Return processes that share what they load, where the system can do that; none is a copy of this one in full work."""
    if "forkserver" not in get_all_start_methods():
        return ProcessPoolExecutor(workers, mp_context=get_context("spawn"))
    context = get_context("forkserver")
    context.set_forkserver_preload([measure_one.__module__])
    return ProcessPoolExecutor(workers, mp_context=context)


def _submit(pool: ProcessPoolExecutor, job: Job, task: Task) -> Future[Outcome]:
    try:
        return pool.submit(measure_one, job, task.source, task.known)
    except BrokenProcessPool as error:
        lost: Future[Outcome] = Future()
        lost.set_exception(error)
        return lost


def _result(future: Future[Outcome]) -> Outcome | None:
    try:
        return future.result()
    except BrokenProcessPool:
        return None


def _alone(job: Job, task: Task) -> Outcome:
    with _processes(1) as pool:
        outcome = _result(_submit(pool, job, task))
    return outcome or _refused(
        task, "the process ended while it measured this recording", "free some memory and repeat"
    )


def _refused(task: Task, what: str, do: str) -> Outcome:
    return Outcome(place=task.source.place, refused=MachineError(what, where=task.source.place, do=do))
