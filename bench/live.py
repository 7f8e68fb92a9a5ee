"""Live streams: from the last sample of a sweep to the next instruction on disk, and a stream that flows for long.

    python -m bench.live [--trials N] [--minutes M] [--speed S]

The first part runs a session over real streams on loopback at the pace of life (5 kHz x 4 channels, packets of 10 ms) with
the journal's disk sync on, and takes the time from the stamp of the sweep's last sample to the entry on disk of what is asked for
next, a stimulus, question or rest: over the whole session, and by step. What is only shown in between counts as time.
Goal: median 25 ms, 99 % 60 ms. Up to 10 ms of it the sample waits for its packet to be full. The sender
runs in the same process, and the operator takes 15 s over the gates. ``--trials 0`` is the whole session, -1 is none.

The second part lets a stream flow, kept on disk, and counts samples lost and the growth of memory. ``--speed`` is how much
faster than life; the printed line says so.
"""

from __future__ import annotations

import argparse
import resource
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from decussa.compose.sessions import run_session
from decussa.compose.streams import listen
from decussa.model.dialogue import Show, Trial
from decussa.protocol.schema import load_protocol
from decussa.session.clock import VirtualClock
from decussa.source.stream.library import now_s, stay_on_this_machine
from decussa.source.virtual.amplifier import InventedAmplifier
from tests.compose.streamed import SEED, SESSION, Operator, make_study, person


class Unhurried(Operator):
    """Takes a while to confirm that consent, screening, ear protection, a second person and the way to stop are there."""

    def confirm_gate(self, gate):
        time.sleep(3.0)
        return super().confirm_gate(gate)


def spread(values_ms: list[float]) -> str:
    low, middle, high = np.percentile(values_ms, [50, 95, 99])
    return f"median {low:.1f} ms, 95 % {middle:.1f}, 99 % {high:.1f}, most {max(values_ms):.1f} (n = {len(values_ms)})"


def time_decisions(place: Path, trials: int) -> None:
    sender = InventedAmplifier(person(), name=f"EMG {place.name}", source_id=place.name, reaction_s=0.7)
    decided: dict[str, list[float]] = {}
    stored: list[float] = []
    with sender:
        folder = make_study(place / "study", sender)
        opened: list = []

        def make(protocol):
            opened.append(listen(folder, SESSION, protocol))
            return opened[0]

        last = {"sample_s": 0.0, "step": ""}

        def hear(entry):
            now = now_s()
            if isinstance(entry.body, Trial) and entry.has_sweep and opened[0].devices:
                last["sample_s"] = opened[0].last_sample_s
                stored.append(1e3 * (now - last["sample_s"]))
            elif entry.kind == "asked" and not isinstance(entry.body, Show):
                if last["sample_s"]:
                    decided.setdefault(last["step"], []).append(1e3 * (now - last["sample_s"]))
                last.update(sample_s=0.0, step=entry.body.step)

        run_session(
            folder, SESSION, "stream", operator=Unhurried(trials or None), seed=SEED, make=make, listeners=[hear],
            clock=VirtualClock(datetime(2026, 1, 5, 9, tzinfo=UTC)),
        )  # fmt: skip
    print(f"last sample -> sweep, values, verdict on disk: {spread(stored)}")
    together = [value for values in decided.values() for value in values]
    print(f"last sample -> next instruction on disk:       {spread(together)}  (goal: median 25, 99 % 60)")
    for step, values in decided.items():
        print(f"  {step:20} {spread(values)}")


def flow(place: Path, minutes: float, speed: float) -> None:
    sender = InventedAmplifier(person(), name=f"EMG {place.name} 2", source_id=f"{place.name} 2", speed=speed)
    protocol, _ = load_protocol("forearm")
    with sender:
        folder = make_study(place / "flow", sender)
        with listen(folder, SESSION, protocol) as source:
            feed, grown = source.devices[0], []
            until = time.monotonic() + 60 * minutes / speed
            while time.monotonic() < until:
                time.sleep(min(5.0, 60 * minutes / speed / 10))
                grown.append(resident_mb())
            health = feed.health()
    kept = sum(path.stat().st_size for path in (folder / "recordings").rglob("*.bdf")) / 2**20
    print(
        f"{minutes:g} minutes of stream at {speed:g} times the pace of life: {health.samples} samples, "
        f"{health.samples_lost} lost, {health.stalls} stalls; memory {grown[len(grown) // 4]:.0f} MB after a quarter, "
        f"{grown[-1]:.0f} MB at the end; {kept:.0f} MB on disk"
    )


def resident_mb() -> float:
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    return pages * resource.getpagesize() / 2**20


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--trials", type=int, default=0)
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--speed", type=float, default=20.0)
    asked = parser.parse_args()
    stay_on_this_machine()
    with tempfile.TemporaryDirectory() as folder:
        if asked.trials >= 0:
            time_decisions(Path(folder), asked.trials)
        if asked.minutes:
            flow(Path(folder), asked.minutes, asked.speed)


if __name__ == "__main__":
    main()
