"""Holds a finished journal against its protocol, reading nothing but the two; shares no code with limits, tally or plans.

``audit`` returns a sentence for everything that must not be: a limit broken, an order rule broken, or something planned that
neither happened nor left a reason.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby

from decussa.model.dialogue import Ask, Deliver, Lost, Refused, Show, Trial
from decussa.store.chain import Entry

#: Who has felt nothing today begins here: a published ramp of stimulation with a double-cone coil starts at 30 % of output.
FIRST_MSO = 30
GATES = 5
#: A trial that is rejected or lost comes again twice, at most.
TRIES = 3
DEFAULTS = {"ceiling_mso": 100, "least_interval_s": 5, "interval_s": [5, 8], "pulse_total": 400, "minutes_total": 90}
DEFAULTS |= {"climb_step_mso": 10, "discomfort_stop": 7}
TRIALS = {"single": 30, "silent period": 15, "re-check": 5, "recruitment curve": 8, "paired": 16}
#: What a step must find, a number or a reason why there is none.
FINDS = {
    "hotspot": ("hotspot_x", "hotspot_y"),
    "mmax": ("mmax",),
    "mvc": ("mvc",),
    "test intensity": ("test_intensity",),
}
FINDS |= {"trunk levels": ("base", "trunk_test")}


@dataclass(frozen=True)
class Exchange:
    """What was asked and what came back, with the times of both in seconds; ``entry`` is the number of the reply."""

    request: object
    reply: object
    asked_s: float
    replied_s: float
    entry: int

    @property
    def felt(self) -> bool:
        """Whether the person has felt a stimulus, as far as anybody knows."""
        return isinstance(self.request, Deliver) and (
            isinstance(self.reply, Trial) or (isinstance(self.reply, Lost) and self.reply.given == "given and lost")
        )

    @property
    def magnetic(self) -> bool:
        return isinstance(self.request, Deliver) and self.request.stimulus.stim_type != "nerve"

    @property
    def kept(self) -> bool:
        return isinstance(self.reply, Trial) and self.reply.verdict.kind != "reject"

    @property
    def says_why(self) -> bool:
        """Whether this gives a reason for something that was left out."""
        shown = isinstance(self.request, Show) and not self.request.final and self.request.text
        return bool(shown) or isinstance(self.reply, Refused)


def exchanges(entries: Sequence[Entry]) -> list[Exchange]:
    """Pair every request with its reply."""
    done, asked, asked_s = [], None, 0.0
    began = datetime.fromisoformat(entries[0].at)
    for entry in entries:
        at_s = (datetime.fromisoformat(entry.at) - began).total_seconds()
        if entry.kind == "asked":
            asked, asked_s = entry.body, at_s
        elif entry.kind in ("answered", "refused", "lost", "step skipped", "step redone") and asked is not None:
            done.append(Exchange(asked, entry.body, asked_s, at_s, entry.number))
            asked = None
    return done


def audit(entries: Sequence[Entry], protocol_text: str) -> list[str]:
    """Return a sentence for every fault of a session that ran to its end."""
    protocol = tomllib.loads(protocol_text)
    limits = DEFAULTS | protocol.get("limits", {})
    said = exchanges(entries)
    given = [one for one in said if one.felt]
    faults = [*_dialogue(entries), *_gates(entries), *_totals(given, limits), *_intervals(said, limits)]
    faults += _rises(said, limits)
    for step in protocol["steps"]:
        faults += _step(step, entries, [one for one in said if one.request.step == _name(step)])  # type: ignore[attr-defined]
    return faults


def _name(step: dict[str, object]) -> str:
    return str(step.get("name") or step["kind"])


def _dialogue(entries: Sequence[Entry]) -> Iterator[str]:
    """One reply for each request, and an end."""
    open_ = False
    for entry in entries:
        if entry.kind == "asked":
            if open_:
                yield f"entry {entry.number}: asked before the request before was answered"
            open_ = True
        elif entry.kind in ("answered", "refused", "lost"):
            if not open_:
                yield f"entry {entry.number}: a reply to nothing"
            open_ = False
        if isinstance(entry.body, Trial) and entry.kind == "answered" and entry.measured is None:
            yield f"entry {entry.number}: a trial without its measured values"
    if entries[-1].kind != "finished":
        yield f"the session ends with '{entries[-1].kind}'"


def _gates(entries: Sequence[Entry]) -> Iterator[str]:
    first = next((entry.number for entry in entries if isinstance(entry.body, Deliver)), len(entries))
    passed = {entry.body.gate for entry in entries[:first] if entry.kind == "gate" and entry.body.passed}  # type: ignore[union-attr]
    if len(passed) < GATES:
        yield f"the first stimulus was asked for with {len(passed)} of {GATES} gates passed"


def _totals(given: Sequence[Exchange], limits: dict[str, float]) -> Iterator[str]:
    pulses = sum(len(one.request.stimulus.pulses) for one in given)  # type: ignore[attr-defined]
    if pulses > limits["pulse_total"]:
        yield f"{pulses} pulses, at most {limits['pulse_total']}"
    if given and (minutes := (given[-1].replied_s - given[0].replied_s) / 60) > limits["minutes_total"]:
        yield f"{minutes:.1f} minutes of stimulation, at most {limits['minutes_total']}"
    for one in given:
        stimulus = one.request.stimulus  # type: ignore[attr-defined]
        if one.magnetic and max(stimulus.intensity_mso, stimulus.cond_intensity_mso) > limits["ceiling_mso"]:
            yield f"entry {one.entry}: above the ceiling"
        if one.magnetic and not stimulus.intensity_mso >= 0:
            yield f"entry {one.entry}: intensity is not a number"


def _intervals(said: Sequence[Exchange], limits: dict[str, object]) -> Iterator[str]:
    """Stimuli at least as far apart as the limit and as was drawn; what was drawn lies in the protocol's span."""
    low, high = limits["interval_s"]  # type: ignore[misc]
    before = None
    for one in said:
        if not isinstance(one.request, Deliver):
            continue
        if not low <= one.request.wait_s <= high:
            yield f"entry {one.entry}: a wait of {one.request.wait_s} s, drawn outside {low} to {high}"
        if not one.felt:
            continue
        if before is not None:
            waited = one.asked_s - before.replied_s
            if waited < max(limits["least_interval_s"], one.request.wait_s) - 0.0015:  # type: ignore[type-var]
                yield f"entry {one.entry}: {waited:.3f} s after the stimulus before, {one.request.wait_s} were drawn"
        before = one


def _rises(said: Sequence[Exchange], limits: dict[str, float]) -> Iterator[str]:
    """No test pulse more than a step above what was tolerated today; a rating for each step; nothing after too much."""
    step = limits["climb_step_mso"]
    tolerated = rated = FIRST_MSO - step
    closed = math.inf
    owed = None
    for one in said:
        if isinstance(one.request, Ask) and one.request.key == "discomfort":
            rated, owed = max(rated, one.request.intensity_mso), None
            value = one.reply.value  # type: ignore[attr-defined]
            if isinstance(value, int | float) and value >= limits["discomfort_stop"]:
                closed = min(closed, one.request.intensity_mso)
                tolerated = min(tolerated, closed - 1)
            continue
        if not (one.felt and one.magnetic):
            continue
        level = one.request.stimulus.intensity_mso  # type: ignore[attr-defined]
        if owed is not None:
            yield f"entry {one.entry}: given before the rating of the pulse at {owed:g} %"
            owed = None
        if level > tolerated + step:
            yield f"entry {one.entry}: {level:g} %, tolerated were {tolerated:g}"
        if level >= closed:
            yield f"entry {one.entry}: {level:g} %, although {closed:g} was too much"
        if level >= rated + step:
            owed = level
        tolerated = max(tolerated, level)


def _step(step: dict[str, object], entries: Sequence[Entry], said: Sequence[Exchange]) -> Iterator[str]:
    """Everything a step plans was done, or left a reason."""
    name, kind = _name(step), str(step["kind"])
    found = [entry.body for entry in entries if entry.kind == "step found" and entry.body.step == name]  # type: ignore[union-attr]
    if len(found) != 1:
        yield f"{name}: ended {len(found)} times"
        return
    wanted = FINDS.get(kind, ())
    if kind == "threshold":
        wanted = ("amt",) if step.get("state") == "active" else ("rmt",)
    for quantity in wanted:
        result = next((value for key, value in found[0].results.items() if key.endswith("/" + quantity)), None)  # type: ignore[union-attr]
        if result is None or (math.isnan(result.value) and not result.reason):
            yield f"{name}: {quantity} was not found, and no reason is given"
    if kind == "familiarisation":
        yield from _familiarisation(step, name, said)
    if kind == "closing":
        asked = {one.request.key for one in said if isinstance(one.request, Ask)}
        yield from (f"{name}: {key} was not asked" for key in ("adverse", "observed", "follow-up") if key not in asked)
        if not any(entry.kind == "follow-up due" for entry in entries):
            yield f"{name}: no follow-up is due"
    if kind in TRIALS:
        yield from _block(step, name, said)


def _familiarisation(step: dict[str, object], name: str, said: Sequence[Exchange]) -> Iterator[str]:
    planned = int(step.get("pulses", 3)) * len(range(step.get("start_mso", 30), step.get("end_mso", 50) + 1, 10))  # type: ignore[arg-type, call-overload]
    given = sum(one.felt for one in said if isinstance(one.request, Deliver) and one.request.condition != "climb")
    if given < planned and not any(one.says_why for one in said):
        yield f"{name}: {given} of {planned} pulses, and no reason is given"


Key = tuple[str, str]


def _key(one: Exchange) -> Key:
    return one.request.condition, str(one.request.stimulus)  # type: ignore[attr-defined]


def _block(step: dict[str, object], name: str, said: Sequence[Exchange]) -> Iterator[str]:
    """Trials of a block: every condition as often as planned, in balanced small blocks with repeats at their ends."""
    trials = [one for one in said if isinstance(one.request, Deliver) and one.request.condition != "climb"]
    trials = [one for one in trials if not isinstance(one.reply, Refused)]
    keys = list(dict.fromkeys(_key(one) for one in trials))
    if len(keys) < _planned(step) and not any(one.says_why for one in said):
        yield f"{name}: {len(keys)} of {_planned(step)} conditions, and no reason is given"
    blocks, faults = _small_blocks(trials, explained=any(one.says_why for one in said))
    yield from (f"{name}: {fault}" for fault in faults)
    wanted = int(step.get("trials", TRIALS[str(step["kind"])]))  # type: ignore[call-overload]
    for key in keys:
        done = sum(key in block for block in blocks)
        last = max(one.entry for one in trials if _key(one) == key)
        if done > wanted:
            yield f"{name}: {key[0]} was given {done} times, planned were {wanted}"
        if done < wanted and not any(one.says_why and one.entry > last for one in said):
            yield f"{name}: {key[0]} was given {done} of {wanted} times, and no reason is given"
    order = [key for block in blocks for key in block]
    longest = max((len(list(run)) for _, run in groupby(order)), default=0)
    if len(keys) > 1 and longest > 3:
        yield f"{name}: {longest} trials of one condition in a row"
    explained_first = any(one.says_why and trials and one.entry < trials[0].entry for one in said)
    if step["kind"] == "paired" and trials and trials[0].request.condition != "test alone" and not explained_first:  # type: ignore[attr-defined]
        yield f"{name}: the first trial is {trials[0].request.condition}"  # type: ignore[attr-defined]


def _planned(step: dict[str, object]) -> int:
    if step["kind"] == "recruitment curve":
        return len(step["intensities"])  # type: ignore[arg-type]
    if step["kind"] == "paired":
        conditions: list[dict[str, str]] = step["conditions"]  # type: ignore[assignment]
        return len(conditions) + len({step["test"]} | {condition["test"] for condition in conditions})
    return 1


def _small_blocks(trials: Sequence[Exchange], *, explained: bool) -> tuple[list[list[Key]], list[str]]:
    """Take a block apart into its small blocks, without the repeats; say where it does not come apart as it should."""
    last = {_key(one): at for at, one in enumerate(trials)}
    blocks: list[list[Key]] = []
    faults: list[str] = []
    at = 0
    while at < len(trials):
        expected = {key for key, end in last.items() if end >= at}
        block = list(trials[at : at + len(expected)])
        cut_short = explained and at + len(expected) > len(trials)
        if {_key(one) for one in block} != expected and not cut_short:
            faults.append(f"entry {block[0].entry}: a small block that is not balanced")
            return blocks, faults
        at += len(block)
        blocks.append([_key(one) for one in block])
        for _ in range(TRIES - 1):
            again = [_key(one) for one in block if not one.kept]
            block = list(trials[at : at + len(again)])
            if [_key(one) for one in block] != again and not explained:
                faults.append(f"repeats are not at the end of their small block, before entry {trials[at - 1].entry}")
                return blocks, faults
            at += len(block)
    return blocks, faults
