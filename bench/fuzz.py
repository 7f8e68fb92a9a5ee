"""Damaged recordings in every format: whatever a file holds, reading it ends with a recording or with one sentence.

    python -m bench.fuzz --count 100000 --state fuzz.json

Each format's cases run in a worker process of its own. Counted as a finding: any exception but our own, an answer of several
lines, a case over 10 s, a process over 1 GB, a crash, a file opened outside the folder, code run while reading. A run that
was stopped goes on from its state file. The same count and seed give the same cases.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import signal
import subprocess
import sys
import tempfile
import time
import traceback
from pathlib import Path

from tests.recording.damage import KINDS, damage, make_healthy, read_damaged

SECONDS = 10
GREATEST_KB = 1 << 20
#: Address space of a worker: libraries reserve far more than they use, but no bomb gets further.
ADDRESS_BYTES = 4 << 30
STEP = 1000
ROOT = Path(__file__).parents[1]


#: What no reading of a file may do.
_ACTS = frozenset({
    "subprocess.Popen", "os.system", "os.exec", "os.posix_spawn", "os.fork", "pickle.find_class", "socket.connect",
})  # fmt: skip


class TooLongError(Exception):
    """A case took more than ``SECONDS``."""


def work(kind: str, first: int, stop: int, folder: Path) -> None:
    """Run cases of one format and print a line of JSON for each finding and each step: what a worker does."""
    place = folder / f"{kind}-{os.getpid()}"
    place.mkdir()
    healthy, table = make_healthy(kind, place)
    content = healthy.read_bytes()
    answer = read_damaged(kind, healthy, table)
    assert answer == "", f"the healthy {kind} is refused: {answer}"
    strange: list[str] = []
    loading: list[str] = []
    watching = False
    allowed = tuple(
        str(Path(start).resolve())
        for start in (place, sys.prefix, sys.base_prefix, ROOT / "src", "/dev", "/proc", "/sys", "/etc")
    )

    def watch(event: str, args: tuple[object, ...]) -> None:
        if not watching:
            return
        if event == "open" and isinstance(args[0], str) and not os.path.realpath(args[0]).startswith(allowed):
            strange.append(f"opened {args[0]}")
        elif event == "import":
            loading.append(str(args[0]))
        elif event == "exec" and not loading:  # a module of a library that is loaded late runs its own code
            strange.append("ran code")
        elif event in _ACTS:
            strange.append(event)

    def too_long(_signal: int, _frame: object) -> None:
        raise TooLongError

    sys.addaudithook(watch)
    signal.signal(signal.SIGALRM, too_long)
    resource.setrlimit(resource.RLIMIT_AS, (ADDRESS_BYTES, ADDRESS_BYTES))
    refused = 0
    for number in range(first, stop):
        (place / "now").write_text(str(number))
        healthy.write_bytes(damage(content, number))
        found = ""
        signal.setitimer(signal.ITIMER_REAL, SECONDS)
        try:
            watching = True
            said = read_damaged(kind, healthy, table)
            refused += bool(said)
            if "\n" in said:
                found = f"an answer of several lines: {said!r}"
        except TooLongError:
            watching = False
            found = f"more than {SECONDS} s"
        except BaseException:  # noqa: BLE001  whatever it is, it is what is looked for
            watching = False
            found = traceback.format_exc()
        finally:
            watching = False
            signal.setitimer(signal.ITIMER_REAL, 0)
        if strange:
            found += f" {sorted(set(strange))}"
            strange.clear()
        loading.clear()
        if resource.getrusage(resource.RUSAGE_SELF).ru_maxrss > GREATEST_KB:
            found += " more than 1 GB"
        if found:
            print(json.dumps({"kind": kind, "case": number, "found": found}), flush=True)
            if "1 GB" in found:
                sys.exit(3)
    print(json.dumps({"kind": kind, "done": stop - first, "refused": refused}), flush=True)


def run_step(kind: str, first: int, stop: int, state: dict[str, dict[str, object]], folder: Path) -> None:
    """Run cases in a worker; after a crash or a hang note the case and go on behind it."""
    mine = state[kind]
    while first < stop:
        command = [sys.executable, "-m", "bench.fuzz", "--work", kind, str(first), str(stop), str(folder)]
        worker = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        try:
            out, err = worker.communicate(timeout=60 + 4 * STEP)
        except subprocess.TimeoutExpired:
            worker.kill()
            out, err = worker.communicate()
        lines = [json.loads(line) for line in out.splitlines() if line.startswith("{")]
        mine["findings"] += [line for line in lines if "found" in line]
        ended = [line for line in lines if "done" in line]
        now = folder / f"{kind}-{worker.pid}" / "now"
        if ended:
            mine["refused"] += ended[0]["refused"]
            first = stop
        elif now.exists():
            at = int(now.read_text())
            if worker.returncode != 3:
                why = f"worker ended with {worker.returncode}: {err[-500:]}"
                mine["findings"].append({"kind": kind, "case": at, "found": why})
            first = at + 1
        else:
            sys.exit(f"worker of {kind} cannot start: {err}")
    mine["next"] = stop


def main() -> None:
    """Run what is asked for, print what was found, and exit with 1 where anything was."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=100_000, help="cases in all, spread over the formats")
    parser.add_argument("--formats", nargs="*", help="only these")
    parser.add_argument("--seed", type=int, default=0, help="number of the first case of each format")
    parser.add_argument("--state", type=Path, default=Path("fuzz.json"))
    parser.add_argument("--work", nargs=4, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.work:
        work(asked.work[0], int(asked.work[1]), int(asked.work[2]), Path(asked.work[3]))
        return
    kinds = asked.formats or list(KINDS)
    state = json.loads(asked.state.read_text()) if asked.state.exists() else {}
    each = -(-asked.count // len(kinds))
    began = time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        for kind in kinds:
            state.setdefault(kind, {"next": asked.seed, "refused": 0, "findings": []})
        while True:
            waiting = [kind for kind in kinds if state[kind]["next"] < asked.seed + each]
            if not waiting:
                break
            for kind in waiting:
                first = state[kind]["next"]
                run_step(kind, first, min(first + STEP, asked.seed + each), state, Path(folder))
                asked.state.write_text(json.dumps(state, indent=1))
    print(f"{'format':10} {'cases':>8} {'refused':>8} {'findings':>8}")
    for kind in kinds:
        mine = state[kind]
        print(f"{kind:10} {mine['next'] - asked.seed:8} {mine['refused']:8} {len(mine['findings']):8}")
    findings = [found for kind in kinds for found in state[kind]["findings"]]
    for found in findings[:20]:
        print(f"{found['kind']} case {found['case']}: {found['found'].strip().splitlines()[-1]}")
    print(f"{time.monotonic() - began:.0f} s")
    sys.exit(bool(findings))


if __name__ == "__main__":
    main()
