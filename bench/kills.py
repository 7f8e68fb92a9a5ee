"""Whole sessions of every protocol, killed and stopped anywhere. Run: ``python -m bench.kills --kills 500``.

Kills: a process that runs a session is killed (SIGKILL) at random moments, again and again until the session ends. Stops: it
falls over just before or just after a write; beginnings of a journal are also fed to a fresh plan, which must ask what was asked
next. After each, the check must find the study whole, every answer reported must be there with its sweep, no stimulus may
have been given twice; and the session must end as an undisturbed one in which the same stimuli were lost. Refusals: the disk is
full, fails or is read-only from some write on. Power: writes that were not synced are lost, in part or whole.
"""

from __future__ import annotations

import argparse
import random
import shutil
import tempfile
from collections import Counter
from pathlib import Path

from decussa.model.errors import MachineError
from decussa.protocol.schema import SHIPPED
from decussa.source.virtual.character import HARD
from decussa.store.study import open_study
from tests.session.interrupted import (
    Crash,
    Rehearsal,
    begin,
    differs_from_undisturbed,
    entries_of,
    faults_after_a_stop,
    faults_of_beginnings,
    forget,
    go,
    kill_at_random,
    stopping,
)
from tests.store.fault_layer import after_power_cut, fault_layer

KINDS = ("", *HARD)
#: SQLite's codes of a full disk, a failing write and a disk that may not be written.
REFUSALS = (13, 778, 8)
FATES = ("all lost", "all there", "any part")


def random_kills(place: Path, kills: int, most_each: int = 40) -> None:
    """Kill until ``kills`` are done, over the protocols and kinds of people in turn."""
    chance = random.Random(kills)
    done: Counter[str] = Counter()
    faults: list[str] = []
    number = ended = 0
    while done.total() < kills:
        protocol = SHIPPED[number % len(SHIPPED)]
        rehearsal = Rehearsal(protocol, 1000 + number, KINDS[number // len(SHIPPED) % len(KINDS)], place / "study")
        begin(rehearsal)
        for _ in range(most_each):
            if not kill_at_random(rehearsal, chance, longest_s=1.0):
                break
            done[protocol] += 1
            faults += [f"{protocol}, {rehearsal.seed}: {fault}" for fault in faults_after_a_stop(rehearsal)]
        go(rehearsal)
        found = [*faults_after_a_stop(rehearsal), *differs_from_undisturbed(rehearsal)]
        faults += [f"{protocol}, {rehearsal.seed}: {fault}" for fault in found]
        ended += 1
        forget(rehearsal)
        number += 1
    print(
        f"kills: {done.total()} in {ended} sessions {dict(done)}; faults: {len(faults)}",
        *faults[:10],
        sep="\n  ",
        flush=True,
    )


def stops(place: Path, each: int, beginnings: int = 30) -> None:
    """Stop around ``each`` writes of one session of every protocol, and rebuild the plan from many beginnings of its journal."""
    chance = random.Random(each)
    for number, protocol in enumerate(SHIPPED):
        rehearsal = Rehearsal(protocol, 2000 + number, KINDS[number], place / "study")
        begin(rehearsal)
        entries = go(rehearsal)
        with open_study(rehearsal.folder, write=False) as study:
            text = study.protocol_text
        ends = chance.sample(range(1, len(entries)), beginnings)
        faults = faults_of_beginnings(entries, text, rehearsal.seed, ends)
        forget(rehearsal)
        for at in chance.sample(range(1, len(entries) + 1), min(each, len(entries))):
            faults += stopped_once(rehearsal, at, before=chance.random() < 0.5)
        print(
            f"stops, {protocol}: {len(ends)} beginnings of {len(entries)} entries rebuilt, {each} sessions stopped at a write "
            f"and gone on with; faults: {len(faults)}",
            *faults[:10],
            sep="\n  ",
            flush=True,
        )


def stopped_once(rehearsal: Rehearsal, at: int, *, before: bool) -> list[str]:
    """Stop a session around one write, go on, and return what is wrong."""
    begin(rehearsal)
    try:
        with stopping(at, before=before):
            go(rehearsal)
    except Crash:
        faults = faults_after_a_stop(rehearsal)
    else:
        faults = [f"write {at} did not come"]
    go(rehearsal)
    faults += [*faults_after_a_stop(rehearsal), *differs_from_undisturbed(rehearsal)]
    forget(rehearsal)
    return [f"write {at}: {fault}" for fault in faults]


def refusals(place: Path, each: int) -> None:
    """Let the disk refuse from some write on, then let it write again and go on."""
    chance = random.Random(each + 1)
    for number, protocol in enumerate(SHIPPED):
        faults: list[str] = []
        for refusal in range(each):
            rehearsal = Rehearsal(protocol, 3000 + number, "", place / "study")
            begin(rehearsal)
            with fault_layer() as layer:
                layer.refusal, layer.refuse_from = REFUSALS[refusal % 3], chance.randrange(20, 2500)
                try:
                    go(rehearsal)
                except MachineError as error:
                    faults += [] if error.do else [f"no way out is named: {error}"]
            faults += faults_after_a_stop(rehearsal)
            go(rehearsal)
            faults += [*faults_after_a_stop(rehearsal), *differs_from_undisturbed(rehearsal)]
            forget(rehearsal)
        print(f"refusing disk, {protocol}: {each}; faults: {len(faults)}", *faults[:10], sep="\n  ", flush=True)


def power_cuts(place: Path, each: int) -> None:
    """Cut the power at random moments of one session of every protocol; nothing that was reported may be lost."""
    chance = random.Random(each + 2)
    for number, protocol in enumerate(SHIPPED):
        rehearsal = Rehearsal(protocol, 4000 + number, "", place / "study")
        begin(rehearsal)
        base = {"study.db": (rehearsal.folder / "study.db").read_bytes()}
        clean = Path(shutil.copytree(rehearsal.folder, place / "base"))
        with fault_layer() as layer:
            entries = go(rehearsal, listener=lambda entry, layer=layer: layer.mark(entry.number))  # type: ignore[misc]
            steps = list(layer.steps)
        hashes = {entry.number: entry.hash for entry in entries}
        faults: list[str] = []
        for cut in sorted(chance.sample(range(len(steps) + 1), each)):
            here = Rehearsal(protocol, rehearsal.seed, "", place / "cut")
            shutil.copytree(clean, here.folder)
            fate = chance.choice(FATES)
            for name, content in after_power_cut(base, steps[:cut], fate, cut).items():  # type: ignore[arg-type]
                (here.folder / name).write_bytes(content)
            faults += faults_after_a_stop(here)
            there = {entry.number: entry.hash for entry in entries_of(here)}
            reported = [step.at for step in steps[:cut] if step.act == "mark"]
            faults += [
                f"entry {number} was reported and is lost" for number in reported if there.get(number) != hashes[number]
            ]
            shutil.rmtree(here.folder)
        print(
            f"power cuts, {protocol}: {each}, in {len(steps)} writes and syncs of {len(entries)} entries; faults: {len(faults)}",
            *faults[:10],
            sep="\n  ",
            flush=True,
        )
        shutil.rmtree(clean)
        forget(rehearsal)


#: Parts of the bench, by the option that says how many.
PARTS = {"kills": random_kills, "stops": stops, "refusals": refusals, "cuts": power_cuts}


def main() -> None:
    """Run all parts."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=500)
    parser.add_argument("--part", action="append", choices=PARTS, help="only this one")
    parser.add_argument(
        "--stops", type=int, default=40, help="writes of each protocol around which a session is stopped"
    )
    parser.add_argument("--refusals", type=int, default=12, help="refusing disks for each protocol")
    parser.add_argument("--cuts", type=int, default=150, help="power cuts for each protocol")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        for part in options.part or PARTS:
            PARTS[part](Path(place), getattr(options, part))


if __name__ == "__main__":
    main()
