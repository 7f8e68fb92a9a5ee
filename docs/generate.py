"""Writes the pages that are made from the code. Run: python docs/generate.py

A test compares the pages with what this makes, so they cannot drift from the code.
"""

from __future__ import annotations

import inspect
import json
from collections.abc import Sequence
from pathlib import Path
from typing import get_args

from pydantic.fields import FieldInfo

import decussa
from decussa.model.dialogue import (
    Answer,
    Ask,
    Deliver,
    Done,
    Jump,
    Lost,
    Refused,
    Reply,
    Request,
    Rest,
    Show,
    Trial,
)
from decussa.model.estimate import Estimate
from decussa.model.stimulus import Stimulus
from decussa.model.table import SUMMARY_COLUMNS, TRIAL_COLUMNS, Column
from decussa.model.trial import Verdict
from decussa.protocol.schema import SHIPPED, Coil, Criterion, Limits, People, ProtocolMuscle, Screening, Study
from decussa.protocol.screening import FORM_VERSION, TOPICS
from decussa.protocol.steps import PairedCondition, Section, Step, StepBase, TrackedCondition
from decussa.session.lifecycle import diagram
from decussa.session.limits import GATES
from decussa.session.preparation import GATE_OF
from decussa.store.codec import encode
from decussa.store.kinds import KINDS

HERE = Path(__file__).parent


def columns_page() -> str:
    """Return the page that explains every column of both tables."""
    return f"""# The two tables

Missing is an empty cell in files and NaN in Python, never 0. Times are milliseconds from the onset of the test pulse (the
last one); the baseline counts back from the first pulse. Amplitudes are microvolt.

## Trial table

One row per sweep and muscle, written by `decussa measure` and `decussa.measure`.

{_rows(TRIAL_COLUMNS)}

## Summary table

One row per participant, session, muscle and quantity, written by `decussa summarise` and `decussa.summarise`.

{_rows(SUMMARY_COLUMNS)}
"""


def _rows(columns: Sequence[Column]) -> str:
    lines = ["| column | unit | meaning |", "| --- | --- | --- |"]
    lines += [f"| `{column.name}` | {column.unit} | {column.meaning} |" for column in columns]
    return "\n".join(lines)


def entries_page() -> str:
    """Return the page that shows every kind of entry a journal may hold."""
    kinds = "\n\n".join(
        f"""## {kind}

{entry.meaning} Holds {" or ".join(f"`{held.__name__}`" for held in entry.holds)}.

```json
{encode(entry.example)}
```"""
        for kind, entry in KINDS.items()
    )
    return f"""# Entries of a journal

Every kind there is, what it says, and the body of one as it is stored. `@` names the type of a record; NaN and the infinities,
which JSON does not have, are records of type `float`; `v` is the version of the form.

{kinds}
"""


_REQUESTS = (
    Deliver(stimulus=Stimulus.paired(35, 66, 3), step="paired", condition="SICI", muscle="FCR left", wait_s=6.4),
    Ask(
        key="discomfort", text="How uncomfortable was the pulse at 60 %?", kind="rating", step="threshold", default=0.0
    ),
    Rest(seconds=60, step="paired", why="A break after 60 stimuli."),
    Show(step="threshold", results={"rmt": Estimate(value=53.8, low=51.7, high=56.0, n=14, method="posterior mean")}),
)
_REPLIES = (
    Trial(number=57, values={"FCR left": {"amplitude_uv": 83.5, "response_p": 0.999}}, verdict=Verdict("accept")),
    Refused(limit="ceiling", reason="test pulse of 92 % MSO, ceiling 90"),
    Lost(given="given and lost", reason="the computer restarted"),
    Answer(value=2.0),
    Done(),
    Jump("redo"),
)


def session_page() -> str:
    """Return the page on how a session runs, with its states and every request and reply."""
    return f"""# How a session runs

The protocol becomes a plan. The plan asks for one thing at a time; the engine checks the limits, writes down what is asked, has
it done, measures and judges what came back, writes that down, and only then lets the plan hear of it. So nothing is decided on
data that could vanish, and a session that was interrupted stands again exactly where it stood: a fresh plan is fed the stored
replies. A stimulus whose answer is missing is never repeated by itself; the operator says whether it was given and seen, given
and lost, or not given. Where the protocol or the program was changed in between, the difference is said, and `--fresh` goes on
with a fresh plan from what the finished steps found.

Before every stimulus the engine holds it against the protocol's limits: the gates ({", ".join(GATES)}), the ceiling, the least
interval, the total of pulses and of minutes, the rise above what was tolerated today, and anything that was rated too much today.
Never exceed the limits given by the
manufacturers of stimulator and coil, or those of your approval. Where the protocol's is higher, the lower limit holds. Intervals
shorter than the approved minimum turn single pulses into repetitive stimulation, which needs a different approval.

## States

```mermaid
{diagram()}
```

## What a plan may ask

{_examples(_REQUESTS)}

## What it may be told

{_examples(_REPLIES)}
"""


def _examples(records: Sequence[Request | Reply]) -> str:
    parts = []
    for record in records:
        meaning = (type(record).__doc__ or "").split("\n")[0]
        parts.append(f"### {type(record).__name__}\n\n{meaning}\n\n```json\n{encode(record)}\n```")
    return "\n\n".join(parts)


_SECTIONS = (
    ("study", Study),
    ("people", People),
    ("screening", Screening),
    ("muscles", ProtocolMuscle),
    ("coil", Coil),
    ("limits", Limits),
    ("criterion", Criterion),
)


def protocol_page() -> str:
    """Return the page on every section and field of a protocol."""
    sections = "\n\n".join(
        f"## {'[[muscles]]' if name == 'muscles' else f'[{name}]'}\n\n{_doc(model)}\n\n{_fields(model)}"
        for name, model in _SECTIONS
    )
    steps = "\n\n".join(
        f"### {get_args(model.model_fields['kind'].annotation)[0]}\n\n{_doc(model)}\n\n{_fields(model)}"
        for model in get_args(get_args(Step)[0])
    )
    return f"""# The protocol

A protocol is a TOML file that says what is to be measured, in which order, within which limits. Five come with the program
({", ".join(SHIPPED)}); `decussa plan NAME` shows what one asks for. Copy one, change it, and give the file's name instead. Every
fault is named by its line, its field, and what is allowed.

Intensities are written as the trade writes them: `"130 % RMT"`, `"70 % AMT"`, `"50 % MSO"`, `"1 mV"` (the setting found by the
step *test intensity*), `"base"` and `"base + 40 % MSO"` (the level found by *trunk levels*). They are rounded to the nearest step
of the device, ties up.

{sections}

## [[steps]]

Steps are carried out in their order. Each has a `kind`, and may have a `name` for tables, a `muscle` (such as `"FDI left"`; the
first muscle where omitted) and a rest before it.

{steps}

### One condition of a paired block: [[steps.conditions]]

{_fields(PairedCondition)}

### One condition of threshold tracking: [[steps.conditions]]

{_fields(TrackedCondition)}
"""


def _doc(model: type[Section]) -> str:
    return " ".join((model.__doc__ or "").split())


def _fields(model: type[Section]) -> str:
    lines = ["| field | allowed | where omitted |", "| --- | --- | --- |"]
    for name, info in model.model_fields.items():
        if name in {"kind", "name", "muscle", "rest_before_s"} and issubclass(model, StepBase):
            continue
        default = "must be given" if info.is_required() else f"`{json.dumps(info.default)}`"
        lines.append(f"| `{name}` | {_allowed(info)} | {default} |")
    return "\n".join(lines) if len(lines) > 2 else "No fields of its own."


def _allowed(info: FieldInfo) -> str:
    """Say in words what a field may hold."""
    choices = [json.dumps(choice) for choice in get_args(info.annotation) if isinstance(choice, str)]
    if choices:
        return " or ".join(f"`{choice}`" for choice in choices)
    kind = str(info.annotation)
    word = next((said for sign, said in _KINDS if sign in kind), "text")
    limits = [
        f"{said} {getattr(limit, attribute):g}"
        for limit in info.metadata
        for attribute, said in (("gt", "above"), ("ge", "at least"), ("le", "at most"))
        if getattr(limit, attribute, None) is not None
    ]
    return ", ".join([word, *limits])


_KINDS = (
    ("PairedCondition", "list of conditions"),
    ("TrackedCondition", "list of conditions"),
    ("tuple[float, float]", "two numbers"),
    ("tuple[", "list"),
    ("bool", "true or false"),
    ("int", "whole number"),
    ("float", "number"),
)


def screening_page() -> str:
    """Return the page on the screening before stimulation: every topic with its question and classes."""
    rows = "\n".join(
        f"| {topic.name} | {topic.question} | {topic.volunteers if topic.flag == 'yes' else f'{topic.volunteers} on no'} "
        f"| {topic.patients if topic.flag == 'yes' else f'{topic.patients} on no'} | `{topic.key}` |"
        for topic in TOPICS
    )
    gates = "\n".join(f"| {gate} | {item} |" for item, gate in GATE_OF.items())
    return f"""# Screening, signatures, gates

What comes before the first pulse, who may sign, and where each thing is kept. On the page: [Prepare](app.md#prepare).

**The result of a screening is a reminder built from answers, not a clearance.** Any flagged answer is judged and signed by the
responsible physician or principal investigator before stimulation. Your ethics approval, your institution's rules and the law
come first. The form is our own wording of the topics of Rossi 2009 (doi 10.1016/j.clinph.2009.08.016) and Rossi 2011 (Clin
Neurophysiol 122:1686), with newer risks from Rossi 2021 (doi 10.1016/j.clinph.2020.10.003); those lists were never meant as
absolute bans. The classes are common practice and in part from memory: a licensed person of your site confirms them before the
form is used.

## The form, version {FORM_VERSION}

Asked whole at every visit; it holds until midnight. *Go*: nothing flagged. *Review*: somebody entitled decides and signs. *Stop*:
excluded by default. Each question is answered with no, yes or not known; *not known* is at least reviewed. A flagged answer
needs a few words.

| topic | question | volunteers | patients | key |
| --- | --- | --- | --- | --- |
{rows}

A site may be stricter, and looser only where its approval says so: the protocol's section
[`[screening]`](protocol.md#screening) names topics by their key, and `review` needs the number of the approval in `[study]`.

## Who signs, who passes

| role | may |
| --- | --- |
| operator | prepare, run; pass what is about the measurement alone: vertex, start site, electrodes of no target |
| reviewer | review |
| principal investigator | sign a flagged answer of a volunteer; pass the second person and the emergency plan; add people |
| physician | sign every flagged answer; pass nerve stimulation |

Consent, screening, ear protection and the participant's way to stop are passed by nobody. A *stop* cannot be signed while
preparing. Each of these acts is by name, personal PIN and reason. A PIN is stored as a salted slow hash (scrypt, RFC 7914);
after five wrong ones in a row none is taken for five minutes. Where no PIN is set up, the entry and the report say *identity not
verified*. From the first principal investigator with a PIN on, only they add people.

## Gates

The engine gives no stimulus before its gates are confirmed; each rests on an item of the preparation.

| gate of the engine | item |
| --- | --- |
{gates}

Everything but consent, height and preferred hand is open again on the next day.

## Where it is kept

| what | where |
| --- | --- |
| answers, the words to them, why somebody decided as they did | `private.db` alone; wiped when the participant withdraws |
| names and PIN hashes | `private.db` alone: never in an export or the default back-up |
| version of the form, class, decision, code and role of who signed, whether verified, when it ends | the session's journal |
| who confirmed what, placement, both arcs over the head | the session's journal |
"""


def python_page() -> str:
    """Return the page on every public name; the site fills in the rest from the docstrings."""
    names = [name for name in decussa.__all__ if not name.startswith("_")]
    return f"""# In Python

`import decussa as dc` offers these names; each loads on first use. In notebooks they show what a cell returns as tables and
numbers. Arrays are NumPy's, tables are pandas'. [Examples](index.md#tutorial) put them together.

{_overview(names)}

{"".join(_public(name) for name in names)}"""


def _overview(names: Sequence[str]) -> str:
    rows = [f"| [`dc.{name}`](#{_anchor(name)}) | {_first_line(name)} |" for name in names]
    return "\n".join(["| name | what it is |", "| --- | --- |", *rows])


def _public(name: str) -> str:
    held = getattr(decussa, name)
    home = held.__name__ if inspect.ismodule(held) else f"{held.__module__}.{held.__qualname__}"
    members = "".join(f"\n          - {member}" for member in _MEMBERS.get(name, ()))
    options = f"\n    options:\n      members:{members}" if members else ""
    return f"## dc.{name} {{: #{_anchor(name)} }}\n\n::: {home}{options}\n\n"


def _anchor(name: str) -> str:
    return f"dc-{name.lower().replace('_', '-')}"


def _first_line(name: str) -> str:
    return (inspect.getdoc(getattr(decussa, name)) or "").split("\n")[0].replace("|", "\\|")


#: Of public names that are whole modules: what is used from outside.
_MEMBERS = {
    "threshold": ("start", "suggest", "learn", "summary"),
    "hotspot": ("start", "suggest", "learn", "summary"),
}

PAGES = {
    "python.md": python_page,
    "tables.md": columns_page,
    "journal-entries.md": entries_page,
    "session.md": session_page,
    "protocol.md": protocol_page,
    "screening.md": screening_page,
}

if __name__ == "__main__":
    for name, page in PAGES.items():
        (HERE / name).write_text(page(), encoding="utf-8")
