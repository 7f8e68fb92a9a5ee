"""Whole sessions on many virtual people, run to the end unattended, audited, and held against the truth.

Run: ``python -m bench.sessions --people 200 --out sessions.jsonl``. Each shipped protocol meets as many people, every kind of
person equally often. ``tests/session/audit.py`` reads each journal and names what was broken or left without a reason; the
debrief says what was found against what is true. Each session is a line of ``--out``, so that a run can be looked at before
its end and gone on with after it.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import numpy as np

from decussa.compose.rehearsals import rehearse
from decussa.compose.study_reports import debrief_session
from decussa.model.dialogue import Deliver, Refused, Show
from decussa.protocol.schema import SHIPPED, load_protocol, read_protocol
from decussa.session.operator import Unattended
from decussa.source.virtual.character import HARD
from decussa.store.check import check_study
from decussa.store.journal import open_journal
from decussa.store.study import open_study
from tests.session.audit import audit, exchanges

KINDS = ("", *HARD)
Row = dict[str, Any]


def run_one(protocol: str, seed: int, hard: str, folder: Path) -> Row:
    """Rehearse one session and return what is to be said of it."""
    outcome = rehearse(protocol, folder, seed=seed, operator=Unattended(), hard=hard)
    with open_study(folder, write=False) as study, open_journal(study, outcome.session) as journal:
        text = study.protocol_text
        debriefed = debrief_session(journal, read_protocol(text))
    said = exchanges(outcome.entries)
    given = [one for one in said if one.felt]
    refused = [one.reply.limit for one in said if isinstance(one.reply, Refused)]
    shown = [one.request.text for one in said if isinstance(one.request, Show) and one.request.text]
    return {
        "protocol": protocol,
        "kind": hard or "easy",
        "seed": seed,
        "stopped": outcome.stopped,
        "faults": audit(outcome.entries, text),
        "unsound": [finding.sentence() for finding in check_study(folder) if finding.broken],
        "stimuli": len(given),
        "pulses": sum(len(one.request.stimulus.pulses) for one in given if isinstance(one.request, Deliver)),
        "minutes": said[-1].replied_s / 60,
        "refused": Counter(refused),
        "shown": shown,
        "waits": _waits(given),
        "found": [
            (one.name, one.found.value, one.found.low, one.found.high, one.truth, one.found.reason)
            for one in (debriefed.comparisons if debriefed else ())
        ],
    }


def _waits(given: list[Any]) -> list[float]:
    return [one.request.wait_s for one in given]


def run_all(people: int, protocols: Iterable[str], out: Path) -> None:
    """Run what ``out`` does not hold yet."""
    done = {(row["protocol"], row["kind"], row["seed"]) for row in rows_of(out)} if out.exists() else set()
    with out.open("a", encoding="utf-8") as file:
        for number in range(people):
            hard = KINDS[number % len(KINDS)]
            for protocol in protocols:
                if (protocol, hard or "easy", number) in done:
                    continue
                with tempfile.TemporaryDirectory() as place:
                    try:
                        row = run_one(protocol, number, hard, Path(place) / "study")
                    except Exception as error:  # noqa: BLE001 whatever ends a session is what this looks for
                        row = {"protocol": protocol, "kind": hard or "easy", "seed": number, "crash": repr(error)}
                file.write(json.dumps(row) + "\n")
                file.flush()


def rows_of(out: Path) -> list[Row]:
    """Return the lines of a run."""
    return [json.loads(line) for line in out.read_text(encoding="utf-8").splitlines()]


def tell(rows: list[Row]) -> None:
    """Print what a run says."""
    crashed = [row for row in rows if "crash" in row]
    rows = [row for row in rows if "crash" not in row]
    faulty = [row for row in rows if row["faults"] or row["stopped"] or row["unsound"]]
    waits = sum(len(row["waits"]) for row in rows)
    print(
        f"sessions: {len(rows) + len(crashed)}, broken off: {len(crashed)}, with a fault: {len(faulty)}; waits: {waits}"
    )
    for row in crashed:
        print(f"  {row['protocol']}, {row['kind']}, seed {row['seed']}: {row['crash']}")
    for row in faulty:
        for fault in [*row["faults"], *row["unsound"], *([row["stopped"]] if row["stopped"] else [])][:3]:
            print(f"  {row['protocol']}, {row['kind']}, seed {row['seed']}: {fault}")
    for protocol in dict.fromkeys(row["protocol"] for row in rows):
        members = [row for row in rows if row["protocol"] == protocol]
        print(f"\n{protocol}: {_course(members)}")
        _tell_quantities(members)
        for kind in dict.fromkeys(row["kind"] for row in members):
            same = [row for row in members if row["kind"] == kind]
            print(f"  {kind}: {_course(same)}; {_main_error(same)}")
    _tell_waits(rows)


def _course(members: list[Row]) -> str:
    pulses, minutes = ([row[name] for row in members] for name in ("pulses", "minutes"))
    refusals = sum((Counter(row["refused"]) for row in members), Counter())
    left = sum(any("not given" in text or "Ways out" in text for text in row["shown"]) for row in members)
    return (
        f"{len(members)} people; pulses {_span(pulses)}; minutes {_span(minutes)}; something left out, and said, in {left}"
        + (f"; refused {dict(refusals)}" if refusals else "")
    )


def _tell_quantities(members: list[Row]) -> None:
    by_name: Mapping[str, list[list[Any]]] = defaultdict(list)
    for row in members:
        for name, *values in row["found"]:
            by_name[name].append(values)
    for name, values in by_name.items():
        print(f"  {name}: {_accuracy(values)}")


def _main_error(members: list[Row]) -> str:
    """Return how well the threshold was found."""
    values = [found[1:] for row in members for found in row["found"] if found[0].endswith("threshold")]
    return f"thresholds: {_accuracy(values)}" if values else "no threshold is sought"


def _accuracy(values: list[list[Any]]) -> str:
    found, low, high, truth = np.array([one[:4] for one in values], dtype=float).T
    both = np.isfinite(found) & np.isfinite(truth)
    bounded = ~np.isnan(low) & ~np.isnan(high) & np.isfinite(truth)
    if not both.any():
        return f"0 of {len(values)} found"
    off = found[both] - truth[both]
    held = (low <= truth) & (truth <= high)
    said = f"; interval holds it in {held[bounded].sum()} of {bounded.sum()}" if bounded.any() else ""
    return (
        f"{both.sum()} of {len(values)} found; off by {np.median(off):+.2f} (median), in 90 % within "
        f"{np.quantile(abs(off), 0.9):.2f}{said}"
    )


def _tell_waits(rows: list[Row]) -> None:
    """Print the waits between stimuli; ``bench.orders`` holds their distribution against the uniform one."""
    for protocol in dict.fromkeys(row["protocol"] for row in rows):
        low, high = load_protocol(protocol)[0].limits.interval_s
        waits = np.array([wait for row in rows if row["protocol"] == protocol for wait in row["waits"]])
        print(
            f"waits, {protocol}: {len(waits)}, {waits.min()} to {waits.max()} s, mean {waits.mean():.3f} of {(low + high) / 2}"
        )


def _span(values: list[float]) -> str:
    low, middle, high = np.quantile(values, [0, 0.5, 1])
    return f"{middle:.0f} ({low:.0f} to {high:.0f})"


def main() -> None:
    """Run and tell."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--people", type=int, default=200, help="people for each protocol")
    parser.add_argument("--protocol", action="append", choices=SHIPPED, help="only this one")
    parser.add_argument("--out", type=Path, default=Path("sessions.jsonl"), help="one line for each session")
    options = parser.parse_args()
    run_all(options.people, options.protocol or SHIPPED, options.out)
    tell(rows_of(options.out))


if __name__ == "__main__":
    main()
