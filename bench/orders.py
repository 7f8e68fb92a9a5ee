"""The published order rules in many sequences, and what the check says when a stored byte is another.

Run: ``python -m bench.orders --sequences 10000``. Sequences are those of the shipped protocols' blocks, by seed, counted without
the program's own functions: every small block holds every condition once, at most three equal in a row, the first trial of a
paired block is a test pulse alone. Interleaving test pulses with pairs is the practice of Kujirai 1993, J Physiol 471:501 (from
memory); the longest run is common practice, no source. Waits are held against the uniform distribution by Kolmogorov and
Smirnov's and Pearson's tests over all sequences. Then every byte of a small session's entries and sweeps is changed, one after
the other, and the check must name the entry.
"""

from __future__ import annotations

import argparse
import sqlite3
import tempfile
from collections import Counter
from contextlib import closing
from itertools import groupby
from pathlib import Path

import numpy as np
from scipy import stats

from decussa.plan.paired_block import TEST_ALONE
from decussa.protocol.order import draw_waits, mixed_order
from decussa.protocol.schema import SHIPPED, load_protocol
from decussa.protocol.steps import PairedBlock, RecruitmentCurve
from decussa.store.check import check_study
from tests.store.invented import a_copy, a_study, change

LONGEST_RUN = 3


def names_of(step: PairedBlock | RecruitmentCurve) -> tuple[list[str], str]:
    """Return the conditions of a block and the one that comes first."""
    if isinstance(step, RecruitmentCurve):
        return list(step.intensities), ""
    others = dict.fromkeys(condition.test for condition in step.conditions if condition.test != step.test)
    return [TEST_ALONE, *others, *(condition.name for condition in step.conditions)], TEST_ALONE


def orders(sequences: int) -> None:
    """Count what breaks a rule."""
    blocks = [
        step
        for name in SHIPPED
        for step in load_protocol(name)[0].steps
        if isinstance(step, PairedBlock | RecruitmentCurve)
    ]
    broken: Counter[str] = Counter()
    runs: Counter[int] = Counter()
    leads: Counter[int] = Counter()
    for seed in range(sequences):
        step = blocks[seed % len(blocks)]
        names, first = names_of(step)
        small = mixed_order(names, step.trials, seed=seed, first=first)
        order = [name for block in small for name in block]
        longest = max(len(list(run)) for _, run in groupby(order))
        runs[longest] += 1
        broken["not balanced"] += any(sorted(block) != sorted(names) for block in small)
        broken["wrong count"] += Counter(order) != dict.fromkeys(names, step.trials)
        broken["run too long"] += longest > LONGEST_RUN
        broken["wrong first trial"] += bool(first) and order[0] != first
        if len(names) == 6 and not first:
            leads[names.index(small[1][0])] += 1
    print(f"sequences: {sequences}; broken: {dict(broken)}; longest runs: {dict(sorted(runs.items()))}")
    counts = [leads[index] for index in range(6)]
    print(f"who leads the second small block of a curve: {counts}, chi-square p = {stats.chisquare(counts).pvalue:.3f}")


def waits(sequences: int, each: int = 100) -> None:
    """Hold the waits against the uniform distribution, to the tenth of a second to which they are rounded."""
    for span in sorted({load_protocol(name)[0].limits.interval_s for name in SHIPPED}):
        draws = [draw_waits(span, seed=seed + round(1000 * sum(span))) for seed in range(sequences)]
        drawn = np.array([[next(draw) for _ in range(each)] for draw in draws])
        steps = round((span[1] - span[0]) * 10)
        counts = np.bincount(np.round((drawn.ravel() - span[0]) * 10).astype(int), minlength=steps + 1)
        share = np.full(steps + 1, 1.0)
        share[[0, -1]] = 0.5  # rounding to a tenth gives the ends half a tenth each
        expected = share / share.sum() * drawn.size
        pearson = stats.chisquare(counts, expected).pvalue
        # The rounding is undone by chance within the tenth, at the ends within the half that was rounded there.
        chance = np.random.default_rng(1).uniform(-0.05, 0.05, drawn.shape)
        spread = drawn + np.where(drawn == span[0], abs(chance), np.where(drawn == span[1], -abs(chance), chance))
        smirnov = stats.kstest(spread.ravel(), "uniform", args=(span[0], span[1] - span[0])).pvalue
        lag = np.corrcoef(drawn[:, :-1].ravel(), drawn[:, 1:].ravel())[0, 1]
        print(
            f"waits {span}: {drawn.size}, {drawn.min()} to {drawn.max()}; chi-square p = {pearson:.3f}, "
            f"Kolmogorov-Smirnov p = {smirnov:.3f}, correlation of neighbours {lag:+.4f}"
        )


#: The columns of an entry that are chained, and the sweep's bytes.
COLUMNS = ("at", "kind", "body", "measured", "body_sha256", "measured_sha256", "sweep_sha256", "hash", "salt")


def every_byte(folder: Path, place: Path) -> tuple[int, list[str]]:
    """Change every byte of every stored entry and sweep of a study, one at a time; return how many, and what was missed."""
    tried, missed = 0, []
    work = a_copy(folder, place)
    change(work)
    with closing(sqlite3.connect(work / "study.db", isolation_level=None)) as connection:
        connection.execute("PRAGMA journal_mode=DELETE")
        connection.execute("PRAGMA synchronous=OFF")
        rows = connection.execute(
            "SELECT entry.id, journal.name, number FROM entry JOIN journal ON journal.id = journal"
        ).fetchall()
        for row, journal, number in rows:
            for table, key, column in [("entry", "id", name) for name in COLUMNS] + [("sweep", "entry", "samples")]:
                found = connection.execute(f"SELECT {column} FROM {table} WHERE {key} = ?", (row,)).fetchone()
                if found is None or found[0] is None:
                    continue
                value = found[0]
                raw = value if isinstance(value, bytes) else str(value).encode()
                for at in range(len(raw)):
                    other = bytes([*raw[:at], raw[at] ^ 1, *raw[at + 1 :]])
                    new = other if isinstance(value, bytes) else other.decode("latin-1")
                    connection.execute(f"UPDATE {table} SET {column} = ? WHERE {key} = ?", (new, row))
                    tried += 1
                    findings = [one for one in check_study(work) if one.broken]
                    if not any(one.journal == journal and one.entry == number for one in findings):
                        missed.append(f"{journal}, entry {number}, {column}, byte {at}")
                    connection.execute(f"UPDATE {table} SET {column} = ? WHERE {key} = ?", (value, row))
    if check_study(work) != check_study(folder):
        missed.append("the study was not as before in the end")
    return tried, missed


def main() -> None:
    """Run all parts."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sequences", type=int, default=10_000)
    options = parser.parse_args()
    orders(options.sequences)
    waits(options.sequences // 10)
    with tempfile.TemporaryDirectory() as place:
        small = a_study(Path(place) / "study", pulses=1)
        tried, missed = every_byte(small, Path(place) / "work")
        print(f"bytes changed: {tried}; not found, or not named: {len(missed)}", *missed[:10], sep="\n  ")


if __name__ == "__main__":
    main()
