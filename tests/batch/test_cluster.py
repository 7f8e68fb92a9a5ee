"""A Dask cluster measures what one process measures; a worker that is killed loses nothing and doubles nothing."""

import json
import os
import signal
import subprocess
import sys
import time
from contextlib import ExitStack

import pytest

from decussa.batch.many import measure_archive
from decussa.model.errors import MachineError, MissingPartError, UsageError
from tests.batch.archives import QUICK, bytes_of, recordings_of, write_archive

pytest.importorskip("distributed")


@pytest.fixture(scope="module")
def root(tmp_path_factory):
    """40 recordings, one of them bad, and what one process makes of them."""
    root = tmp_path_factory.mktemp("cluster")
    write_archive(root / "lab-a", people=10, runs=4)
    recordings_of(root / "lab-a")[17].write_bytes(b"0       " + bytes(300))
    measure_archive(root / "lab-a", root / "whole", settings=QUICK)
    return root


@pytest.fixture(scope="module")
def cluster(root):
    """A scheduler and two workers, each started by its command as on machines of their own."""
    note = root / "scheduler.json"
    found_by = ["--scheduler-file", str(note), "--no-dashboard"]
    with ExitStack() as stack:
        # Paths that a user gives count from where the user is, not from where a worker was started.
        (root / "elsewhere").mkdir()
        start(stack, root / "elsewhere", ["scheduler", "--host", "127.0.0.1", "--port", "0", *found_by])
        workers = [
            start(stack, root / "elsewhere", ["worker", "--nthreads", "1", "--no-nanny", *found_by]) for _ in range(2)
        ]
        yield address_of(note), workers


def start(stack, folder, words):
    """Start a dask command that is ended, whatever happens, when the stack closes."""
    command = [sys.executable, "-m", "dask", *words]
    process = subprocess.Popen(command, cwd=folder, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    stack.callback(process.wait)
    stack.callback(process.kill)
    return process


def address_of(note):
    while True:
        try:
            return json.loads(note.read_text())["address"]
        except (OSError, ValueError):
            time.sleep(0.05)


def test_a_cluster_gives_what_one_process_gives_even_when_a_worker_is_killed(root, cluster, tmp_path):
    from distributed import Client

    address, workers = cluster
    with Client(address, set_as_default=False) as client:
        client.wait_for_workers(2)

    def kill_one_in_the_middle(number, *_rest):
        if number == 20:
            os.kill(workers[0].pid, signal.SIGKILL)

    made = measure_archive(
        root / "lab-a", tmp_path / "out", settings=QUICK, scheduler=address, progress=kill_one_in_the_middle
    )

    assert workers[0].wait() == -signal.SIGKILL
    assert len(made.measured) + len(made.unchanged) == 39
    assert [place for place, _ in made.refused] == [str(recordings_of(root / "lab-a")[17])]
    assert bytes_of(tmp_path / "out") == bytes_of(root / "whole")


def test_a_cluster_fills_one_table_in_the_order_of_the_recordings(root, cluster, tmp_path, monkeypatch):
    address, _ = cluster
    monkeypatch.chdir(root)
    few = [path.relative_to(root) for path in recordings_of(root / "lab-a")[:6]]
    measure_archive(few, tmp_path / "cluster.csv", settings=QUICK, scheduler=address)
    measure_archive(few, tmp_path / "alone.csv", settings=QUICK)

    assert (tmp_path / "cluster.csv").read_bytes() == (tmp_path / "alone.csv").read_bytes()


def test_a_cluster_that_is_not_there_is_said(root, tmp_path, monkeypatch):
    monkeypatch.setattr("decussa.batch.workers.ANSWER_S", "1s")

    with pytest.raises(MachineError, match="cluster does not answer"):
        measure_archive(root / "lab-a", tmp_path / "out", settings=QUICK, scheduler="tcp://127.0.0.1:9")
    with pytest.raises(UsageError, match="not the address of a scheduler"):
        measure_archive(root / "lab-a", tmp_path / "out", settings=QUICK, scheduler="nosuch://here")
    assert not (tmp_path / "out").exists()


def test_without_the_library_for_clusters_the_group_is_named(root, tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)

    with pytest.raises(MissingPartError, match=r"pip install '\.\[cluster\]'"):
        measure_archive(root / "lab-a", tmp_path / "out", settings=QUICK, scheduler="tcp://127.0.0.1:9")
