"""An archive of thousands of recordings: speed, memory, and that nothing is lost or there twice, whatever is killed.

The whole, on a machine that has nothing else to do:  ``python -m bench.archive --recordings 5000 --all``
A small one:                                          ``python -m bench.archive --recordings 40 --sweeps 50 --kills 3``

Recordings are invented: 500 distinct sweeps of a virtual hand, in every recording in another order and at another gain.
Speeds are compared with a run of its own for each recording, which hashes it, measures it, proves its pulses and writes a table,
in the same process; beside it stands what reading and measuring alone take.
Without ``--all`` the cluster and the kills work on a tenth of the archive. The table at the end says what holds; where it
does not, the exit code is 1.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import edfio
import numpy as np
import psutil
import pyarrow.dataset as ds

from decussa.batch.many import Archive, measure_archive
from decussa.batch.measure import measure_recording
from decussa.batch.proof import prove_delivery
from decussa.batch.settings import MeasureSettings
from decussa.model.stimulus import Stimulus
from decussa.recording.read import read
from decussa.source.virtual.person import VirtualParticipant
from tests.batch.archives import bytes_of

DISTINCT = 500
MEMORY_MB = 1000.0
OVERHEAD = 0.10
SPEED_UP = 1.7
PEOPLE_A_SITE, RUNS = 50, 10


# ---------------------------------------------------------------- the archive
class Mould:
    """One recording as bytes, whose sweeps can be put in another order and at another gain."""

    def __init__(self, sweeps: int, folder: Path) -> None:
        person = VirtualParticipant(seed=5, protocol="hand")
        given = [person.deliver(Stimulus.single(40 + 3 * (k % 12))) for k in range(min(sweeps, DISTINCT))]
        rows = [given[k % len(given)].samples_uv[0] for k in range(sweeps)]
        rate, length, onset = given[0].rate_hz, rows[0].size, given[0].onset_sample
        limit = float(np.ceil(max(float(np.abs(row).max()) for row in rows)))
        path = folder / "mould.edf"
        edfio.Edf(
            [
                edfio.EdfSignal(
                    np.concatenate(rows),
                    rate,
                    label="EMG FDI R",
                    physical_dimension="uV",
                    physical_range=(-limit, limit),
                )
            ],
            annotations=[
                edfio.EdfAnnotation((k * length + onset) / rate, None, f"TMS {40 + 3 * (k % 12)}% single")
                for k in range(sweeps)
            ],
            data_record_duration=length / rate,
        ).write(path)
        self._bytes = np.fromfile(path, dtype=np.uint8)
        path.unlink()
        self._limit = limit
        header = int(bytes(self._bytes[184:192]))
        self._records = self._bytes[header:].reshape(sweeps, -1)
        self._signal = self._records[:, : 2 * length].copy()
        # Physical minimum and maximum of the signal stand after label, transducer and dimension of both signals.
        self._ends = (256 + 2 * (16 + 80 + 8), 256 + 2 * (16 + 80 + 8 + 8))

    def cast(self, path: Path, seed: int) -> None:
        """Write a recording of its own."""
        rng = np.random.default_rng(seed)
        self._records[:, : self._signal.shape[1]] = self._signal[rng.permutation(len(self._signal))]
        limit = round(self._limit * rng.uniform(0.7, 1.4))
        for at, value in zip(self._ends, (-limit, limit), strict=True):
            self._bytes[at : at + 8] = np.frombuffer(f"{value:<8}".encode(), dtype=np.uint8)
        self._bytes.tofile(path)


def write_archive(root: Path, recordings: int, sweeps: int) -> list[Path]:
    """Write the archive, site by site, and return its recordings in order; nothing where it is there already."""
    root.mkdir(exist_ok=True)
    mould = None
    paths = []
    for number in range(recordings):
        person, run = divmod(number, RUNS)
        site, own = divmod(person, PEOPLE_A_SITE)
        folder = root / f"lab-{site + 1:02}" / f"sub-{own + 1:03}" / "emg"
        path = folder / f"sub-{own + 1:03}_task-rest_run-{run + 1}_emg.edf"
        paths.append(path)
        if path.exists():
            continue
        mould = mould or Mould(sweeps, root)
        folder.mkdir(parents=True, exist_ok=True)
        described = folder.parents[1] / "dataset_description.json"
        if not described.exists():
            described.write_text(json.dumps({"Name": f"Invented site {site + 1}", "BIDSVersion": "1.11.0"}))
        mould.cast(path, seed=number)
    return paths


# ---------------------------------------------------------------- watching
class Watch:
    """Largest memory of this process and all it started: what is shared counts once (proportional set size)."""

    def __init__(self) -> None:
        self.peak_mb, self._on = 0.0, True
        self._thread = threading.Thread(target=self._look, daemon=True)

    def _look(self) -> None:
        while self._on:
            total = 0
            for process in [psutil.Process(), *psutil.Process().children(recursive=True)]:
                try:
                    total += process.memory_full_info().pss
                except psutil.Error:
                    continue
            self.peak_mb = max(self.peak_mb, total / 1e6)
            time.sleep(0.5)

    def __enter__(self) -> Watch:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._on = False
        self._thread.join()


class Pace:
    """When each recording was done: speed without the start of the workers, which counts once however long the archive is."""

    def __init__(self, skip: int) -> None:
        self._times: list[float] = []
        self._skip = skip

    def __call__(self, number: int, _count: int, _place: str, done: int, total: int) -> None:
        if done == 0 and total == 0 and number > len(self._times):
            self._times.append(time.perf_counter())

    def end(self) -> float:
        """Seconds for each recording, after the first ones; called when the last is done."""
        done = [*self._times[1:], time.perf_counter()]
        skip = min(self._skip, len(done) // 4)
        return (done[-1] - done[skip]) / (len(done) - 1 - skip)


@dataclass(frozen=True, slots=True)
class OneProcess:
    """Seconds for a recording in one process, by what is done with it."""

    measured: float
    proved: float
    one_by_one: float
    in_archive: float


def in_one_process(paths: Sequence[Path], folder: Path, settings: MeasureSettings) -> OneProcess:
    """Time recordings read and measured; with their pulses proved; each by a run of its own into a table; all into one data set.

    The ways take turns, ten recordings at a time, so that what else the machine does meets all alike.
    """

    def measured(path: Path) -> Any:
        recording = read(path)
        return recording, measure_recording(recording, settings)

    ways: list[Callable[[Sequence[Path]], Any]] = [
        lambda some: [measured(path) for path in some],
        lambda some: [prove_delivery(*measured(path)) for path in some],
        lambda some: [measure_archive(path, folder / "table.parquet", settings=settings) for path in some],
        lambda some: measure_archive(some, folder / "one", settings=settings),
    ]
    blocks = [paths[at : at + 10] for at in range(0, len(paths), 10)]
    for way in ways[:3]:
        way(blocks[0][:1])
    seconds = [0.0] * len(ways)
    for number, block in enumerate(blocks):
        for turn in range(len(ways)):
            way = (number + turn) % len(ways)
            seconds[way] += timed(lambda way=way, block=block: ways[way](block))[1]
    return OneProcess(*(total / len(paths) for total in seconds))


# ---------------------------------------------------------------- killing
def dask(stack: ExitStack, folder: Path, *words: str) -> subprocess.Popen[bytes]:
    """Start a dask command that ends with the stack."""
    process = subprocess.Popen(
        [sys.executable, "-m", "dask", *words], cwd=folder, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    stack.callback(process.wait)
    stack.callback(process.kill)
    return process


def on_a_cluster(paths: Sequence[Path], out: Path, settings: MeasureSettings) -> tuple[Archive, bool]:
    """Measure on a scheduler and two workers of this machine, of which one is killed in the middle."""
    note = out.with_suffix(".json")
    with ExitStack() as stack:
        dask(
            stack,
            out.parent,
            "scheduler",
            "--host",
            "127.0.0.1",
            "--port",
            "0",
            "--no-dashboard",
            "--scheduler-file",
            str(note),
        )
        words = ("worker", "--scheduler-file", str(note), "--nthreads", "1", "--no-dashboard", "--no-nanny")
        workers = [dask(stack, out.parent, *words) for _ in range(2)]
        while not note.exists() or not note.read_text().strip():
            time.sleep(0.1)
        address = json.loads(note.read_text())["address"]
        from distributed import Client

        with Client(address, set_as_default=False) as client:
            client.wait_for_workers(2)

        def kill(number: int, *_: object) -> None:
            if number == len(paths) // 2:
                workers[0].kill()

        archive = measure_archive(paths, out, settings=settings, scheduler=address, progress=kill)
        return archive, workers[0].wait() == -signal.SIGKILL


def killed_at_random(paths: Sequence[Path], out: Path, options: Sequence[str], kills: int, longest_s: float) -> int:
    """Kill a run with all its processes at random moments, then let it end; return how often it was killed at work."""
    chance, killed = random.Random(kills), 0
    names = out.with_suffix(".txt")
    names.write_text("\n".join(map(str, paths)))
    script = (
        "import sys; from decussa.command.cli import main; main([*sys.argv[2:], *open(sys.argv[1]).read().split()])"
    )
    command = [sys.executable, "-c", script, str(names), "measure", "--out", str(out), "--workers", "2", *options]
    for attempt in range(kills + 1):
        run = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True)
        if attempt == kills:
            run.wait()
            break
        try:
            run.wait(timeout=chance.uniform(3.0, longest_s))
        except subprocess.TimeoutExpired:
            os.killpg(run.pid, signal.SIGKILL)
            run.wait()
            killed += 1
    return killed


def same(out: Path, other: Path) -> bool:
    """Return whether two data sets have the same files with the same bytes, and something in them."""
    held = bytes_of(out)
    return bool(held) and held == bytes_of(other)


def whole(out: Path, recordings: int, sweeps: int) -> tuple[bool, int]:
    """Return whether there is one row for each sweep and none twice, and the number of rows."""
    table = ds.dataset(out, format="parquet").to_table(columns=["site", "recording", "sweep", "muscle"]).to_pandas()
    return len(table) == recordings * sweeps and not table.duplicated().any(), len(table)


# ---------------------------------------------------------------- the verdict
def tell(rows: Sequence[tuple[str, str, str, bool]]) -> bool:
    """Print what was asked, what was found, and whether it holds."""
    print(f"\n{'what':58s} {'asked':>14s} {'found':>16s}  holds")
    for what, asked, found, holds in rows:
        print(f"{what:58s} {asked:>14s} {found:>16s}  {'yes' if holds else 'NO'}")
    return all(holds for *_, holds in rows)


@contextmanager
def place(folder: str) -> Iterator[Path]:
    """Give the folder to work in: the one that was named, which stays, or one that goes."""
    if folder:
        Path(folder).mkdir(parents=True, exist_ok=True)
        yield Path(folder)
    else:
        with tempfile.TemporaryDirectory(prefix="archive-") as made:
            yield Path(made)


def timed(action: Callable[[], Any]) -> tuple[Any, float]:
    start = time.perf_counter()
    result = action()
    return result, time.perf_counter() - start


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--recordings", type=int, default=5000)
    parser.add_argument("--sweeps", type=int, default=500)
    parser.add_argument("--onset", choices=("model", "threshold"), default="model")
    parser.add_argument("--no-intervals", action="store_true")
    parser.add_argument("--one", type=int, default=100, help="recordings for the speed of one process")
    parser.add_argument("--kills", type=int, default=8)
    parser.add_argument("--all", action="store_true", help="cluster and kills on the whole archive")
    parser.add_argument("--folder", default="", help="keep the archive and what is made here")
    options = parser.parse_args()
    settings = MeasureSettings(onset=options.onset, intervals=not options.no_intervals)
    flags = ["--onset", options.onset, *(["--no-intervals"] if options.no_intervals else [])]
    with place(options.folder) as folder:
        if not run(folder, options, settings, flags):
            sys.exit(1)


def run(folder: Path, options: argparse.Namespace, settings: MeasureSettings, flags: Sequence[str]) -> bool:
    """Make the archive, measure it in every way, print the verdict."""
    need = options.recordings * options.sweeps * 6500
    free = shutil.disk_usage(folder).free
    if free < 1.3 * need:
        sys.exit(
            f"{need / 1e9:.0f} GB are needed, {free / 1e9:.0f} GB are free: name another --folder or fewer --recordings"
        )
    paths, took = timed(lambda: write_archive(folder / "archive", options.recordings, options.sweeps))
    size = sum(path.stat().st_size for path in paths)
    each = size / len(paths)
    print(f"{len(paths)} recordings, {len(paths) * options.sweeps} sweeps, {size / 1e9:.2f} GB, made in {took:.0f} s")
    for name in ("one", "two", "some", "cluster", "killed"):
        shutil.rmtree(folder / name, ignore_errors=True)
    one = in_one_process(paths[: options.one], folder, settings)
    base = one.one_by_one

    two = Pace(skip=8)
    with Watch() as watch:
        made, took = timed(lambda: measure_archive(paths, folder / "two", settings=settings, workers=2, progress=two))
    two_s = two.end()
    kept, again = timed(lambda: measure_archive(paths, folder / "two", settings=settings))
    for name, seconds in (
        ("read and measured", one.measured),
        ("its pulses proved, too", one.proved),
        ("each by a run of its own", base),
        ("one process", one.in_archive),
        ("two processes", two_s),
    ):
        print(
            f"  {name:26s} {1 / seconds:8.2f} recordings/s  {options.sweeps / seconds:10.0f} sweeps/s  "
            f"{each / seconds / 1e6:8.2f} MB/s  {base / seconds:5.2f} x a run for each"
        )
    print(
        f"  all with two processes, start and end included: {took:.0f} s; gone through again unchanged: {again:.1f} s"
    )
    right, rows = whole(folder / "two", len(paths), options.sweeps)

    some = paths if options.all else paths[: max(20, len(paths) // 10)]
    if not options.all:
        measure_archive(some, folder / "some", settings=settings, workers=2)
    truth = folder / ("two" if options.all else "some")
    (clustered, was_killed), cluster_s = timed(lambda: on_a_cluster(some, folder / "cluster", settings))
    print(f"  cluster of two, one killed in the middle: {len(some)} recordings in {cluster_s:.0f} s")
    span = max(6.0, 0.4 * took * len(some) / len(paths))
    killed = killed_at_random(some, folder / "killed", flags, options.kills, span)
    overhead, speed_up = one.in_archive / base - 1, one.in_archive / two_s
    in_cluster = len(clustered.measured) + len(clustered.unchanged)
    once = was_killed and whole(folder / "cluster", len(some), options.sweeps)[0]
    alike = same(folder / "cluster", truth), killed > 0 and same(folder / "killed", truth)
    n, total = len(paths), len(paths) * options.sweeps
    return tell(
        [
            ("recordings measured by two processes", str(n), str(len(made.measured)), len(made.measured) == n),
            ("rows, each sweep once", str(total), str(rows), right),
            ("memory of all processes (MB)", f"< {MEMORY_MB:.0f}", f"{watch.peak_mb:.0f}", watch.peak_mb < MEMORY_MB),
            (
                "time above a run for each recording",
                f"<= {OVERHEAD:.0%}",
                f"{overhead:.1%}",
                overhead <= OVERHEAD,
            ),
            ("two processes over one", f">= {SPEED_UP}", f"{speed_up:.2f}", speed_up >= SPEED_UP),
            ("gone through again: measured", "0", str(len(kept.measured)), not kept.measured),
            ("cluster, a worker killed: all there, each once", str(len(some)), str(in_cluster), once),
            ("cluster: the same bytes", "yes", "", alike[0]),
            (f"killed {killed} times and resumed: the same bytes", "yes", "", alike[1]),
        ]
    )


if __name__ == "__main__":
    main()
