"""What the store keeps through kills and power cuts. Run: python -m bench.crash_store [kills]

Kills: a writing process is killed (SIGKILL) at an arbitrary moment, again and again on the same study. Power cuts: all
writes and syncs of a session that fills and empties its log are recorded, and the disk is rebuilt as it may be after a
cut at every sync and at many places between: what was synced is there; of the rest nothing, everything, or any of its sectors.
"""

from __future__ import annotations

import random
import shutil
import sys
import tempfile
from pathlib import Path

from tests.store.fault_layer import after_power_cut
from tests.store.invented import a_study, broken, hashes
from tests.store.steady_writer import kill_a_writer
from tests.store.test_power import FATES, written_under_the_layer

CUTS_BETWEEN = 150


def kills(place: Path, count: int) -> tuple[int, int, int]:
    """Return entries reported, entries lost, and kills after which the check found something."""
    chance = random.Random(count)
    reported_in_all = lost = unsound = 0
    for kill in range(count):
        if kill % 50 == 0:
            shutil.rmtree(place / "study", ignore_errors=True)
            folder = a_study(place / "study", pulses=0)
            known: dict[int, str] = dict(hashes(folder))
        reported = kill_a_writer(folder, chance.randrange(1, 40), chance.choice((50, 2500, 25_000)))
        there = hashes(folder)
        reported_in_all += len(reported)
        lost += sum(there.get(number) != own for number, own in (known | reported).items())
        unsound += bool(broken(folder))
        known = there
    return reported_in_all, lost, unsound


def power_cuts(place: Path) -> tuple[int, int, int]:
    """Return cuts, cuts that lost a reported entry, and cuts after which the check found something."""
    base = a_study(place / "base", pulses=1)
    folder = Path(shutil.copytree(base, place / "written"))
    layer = written_under_the_layer(folder)
    written, before = hashes(folder), {"study.db": (base / "study.db").read_bytes()}
    cuts = lost = unsound = 0
    # Every sync, the step before and after it, and a fixed sample of all the places between.
    syncs = [at for at, step in enumerate(layer.steps) if step.act == "sync"]
    between = random.Random(1).sample(range(len(layer.steps) + 1), CUTS_BETWEEN)
    for end in sorted({*syncs, *(at + 1 for at in syncs), *(at - 1 for at in syncs), *between}):
        steps = layer.steps[:end]
        reported = [step.at for step in steps if step.act == "mark"]
        for fate in FATES:
            cut = Path(shutil.copytree(base, place / "cut"))
            for name, content in after_power_cut(before, steps, fate, end).items():
                (cut / name).write_bytes(content)
            unsound += bool(broken(cut))
            there = hashes(cut)
            lost += any(there.get(number) != written[number] for number in reported)
            cuts += 1
            shutil.rmtree(cut)
    return cuts, lost, unsound


def main(count: int) -> None:
    with tempfile.TemporaryDirectory() as place:
        cuts, lost, unsound = power_cuts(Path(place))
        print(f"power cuts: {cuts}; with a reported entry lost: {lost}; with findings of the check: {unsound}")
    with tempfile.TemporaryDirectory() as place:
        reported, lost, unsound = kills(Path(place), count)
        print(
            f"kills: {count}; entries reported: {reported}; lost: {lost}; kills with findings of the check: {unsound}"
        )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 500)
