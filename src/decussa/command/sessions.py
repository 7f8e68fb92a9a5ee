"""Commands on sessions: new, plan, rehearse, run, check, withdraw."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from decussa.command.app import JsonOption, app, count, print_json, say
from decussa.model.errors import UsageError

if TYPE_CHECKING:
    from decussa.compose.sessions import MakeSource, Outcome
    from decussa.model.estimate import Estimate

ProtocolArgument = Annotated[str, typer.Argument(help="Shipped protocol or protocol file.", metavar="PROTOCOL")]
FreshOption = Annotated[
    bool, typer.Option("--fresh", help="Where the plan changed: go on with a fresh plan from what was found.")
]


@app.command()
def new(
    folder: Annotated[Path, typer.Argument(help="Study folder to make.", metavar="DIR")],
    protocol: Annotated[str, typer.Option(help="Shipped protocol or protocol file.")],
    as_json: JsonOption = False,
) -> None:
    """Start a study folder from a protocol."""
    from decussa.compose.sessions import new_study

    made = new_study(folder, protocol)
    if as_json:
        print_json({"study": str(made), "protocol": protocol})
        return
    typer.echo(
        f"Study: {made}, protocol {protocol}. Edit nothing in it by hand; decussa check says whether it is whole."
    )


@app.command()
def plan(
    protocol: ProtocolArgument,
    threshold: Annotated[
        float | None, typer.Option(help="Resting threshold in % MSO to check the intensities with.")
    ] = None,
    active_threshold: Annotated[float | None, typer.Option(help="The same for the active threshold.")] = None,
    seed: Annotated[int, typer.Option(help="Seed of the order that is previewed.")] = 1,
    as_json: JsonOption = False,
) -> None:
    """Show what a protocol asks for: pulses, minutes, order, and which intensities are possible."""
    from decussa.compose.preview import preview

    shown = preview(protocol, rmt=threshold, amt=active_threshold, seed=seed)
    if as_json:
        print_json(shown.as_dict())
        return
    for line in shown.lines():
        typer.echo(line)


@app.command()
def rehearse(
    protocol: ProtocolArgument,
    folder: Annotated[Path | None, typer.Argument(help="Folder for the rehearsal's study.", metavar="DIR")] = None,
    seed: Annotated[int, typer.Option(help="Which virtual participant.")] = 1,
    auto: Annotated[bool, typer.Option("--auto", help="Answer every prompt with its default.")] = False,
    pace: Annotated[str, typer.Option(help="quick, or real: intervals are waited for.")] = "quick",
    person: Annotated[
        str, typer.Option(help="A kind of person, such as tense; drawn by the seed otherwise.")
    ] = "drawn",
    stream: Annotated[
        bool, typer.Option("--stream", help="Send the person as live streams, for decussa run in another terminal.")
    ] = False,
    fault: Annotated[
        list[str] | None, typer.Option(help="With --stream: what goes wrong, such as 'stall@3'; may be repeated.")
    ] = None,
    on_network: Annotated[
        bool, typer.Option("--on-network", help="With --stream: let other machines find the streams.")
    ] = False,
    fresh: FreshOption = False,
    as_json: JsonOption = False,
) -> None:
    """Run a session on a virtual participant; started again on the same folder, it goes on."""
    if stream:
        from decussa.command.streaming import send

        send(protocol, folder or Path(f"rehearsal-{Path(protocol).stem}-{seed}"), seed, person, fault or [], on_network)
        return
    if fault or on_network:
        raise UsageError("this option belongs to streams", where="--fault, --on-network", expected="--stream beside it")
    from decussa.command.terminal import TerminalOperator, Transcript
    from decussa.compose.rehearsals import rehearse as run_rehearsal
    from decussa.session.operator import Unattended

    if pace not in ("quick", "real"):
        raise UsageError("pace is not known", where="--pace", expected="quick or real", found=repr(pace))
    transcript = Transcript()
    place = folder or Path(f"rehearsal-{Path(protocol).stem}-{seed}")
    outcome = run_rehearsal(
        protocol,
        place,
        seed=seed,
        operator=Unattended() if auto else TerminalOperator(),
        real_pace=pace == "real",
        fresh=fresh,
        hard=person,
        listeners=() if as_json else (transcript.show,),
    )
    _finish(place, outcome, as_json=as_json)


@app.command()
def run(
    folder: Annotated[Path, typer.Argument(help="Study folder.", metavar="DIR")],
    source: Annotated[str, typer.Option(help="virtual, replay, hand, folder or stream.")],
    session: Annotated[str, typer.Option(help="Session, such as P07-1.")] = "",
    participant: Annotated[
        str, typer.Option(help="Participant, such as P07: goes on with their open session, or opens the next.")
    ] = "",
    auto: Annotated[bool, typer.Option("--auto", help="Answer every prompt with its default.")] = False,
    seed: Annotated[
        int | None, typer.Option(help="Seed of the plan's order, and of a virtual participant.", show_default="1")
    ] = None,
    recording: Annotated[Path | None, typer.Option(help="Recording that is played again.")] = None,
    watched: Annotated[
        Path | None, typer.Option("--folder", help="Folder into which a recorder saves a file after each trial.")
    ] = None,
    mapping: Annotated[
        Path | None, typer.Option(help="TOML file that says how the names and units of these files are meant.")
    ] = None,
    fresh: FreshOption = False,
    as_json: JsonOption = False,
) -> None:
    """Run or resume a session of a study in the terminal."""
    if auto and source not in ("virtual", "replay"):
        raise UsageError(
            "a source that can reach a person is never run by itself",
            where="--auto",
            expected="--source virtual or replay",
            found=f"--source {source}",
            do="run it without --auto",
        )
    from decussa.command.terminal import TerminalOperator, Transcript, type_size
    from decussa.command.waiting import TerminalWatch
    from decussa.compose.folders import watch_folder
    from decussa.compose.live_sessions import ShownSource
    from decussa.compose.sessions import run_session
    from decussa.compose.streams import listen
    from decussa.session.clock import VirtualClock
    from decussa.session.operator import Unattended

    if bool(session) == bool(participant):
        raise UsageError(
            "it is not clear which session to run",
            where="--session, --participant",
            expected="one of the two",
            found="both" if session else "neither",
        )
    transcript = Transcript()
    session = session or _session_for(folder, participant)
    made: dict[str, MakeSource] = {
        "folder": lambda protocol: ShownSource(watch_folder(watched, protocol, mapping=mapping), TerminalWatch()),
        "stream": lambda protocol: ShownSource(
            listen(folder, session, protocol, tell=lambda words: say(f"  {words}")), TerminalWatch()
        ),
    }
    outcome = run_session(
        folder,
        session,
        source,
        operator=Unattended() if auto else TerminalOperator(),
        clock=VirtualClock(datetime.now(UTC)) if auto else None,
        seed=seed,
        recording=recording,
        read_size=type_size,
        make=made.get(source),
        fresh=fresh,
        listeners=() if as_json else (transcript.show,),
    )
    _finish(folder, outcome, as_json=as_json)


def _session_for(folder: Path, participant: str) -> str:
    """Return the session of a participant; a code that looks like a name is asked about first."""
    from decussa.compose.keeping import doubt_about, session_for

    if doubt := doubt_about(folder, participant):
        typer.confirm(doubt, abort=True)
    return session_for(folder, participant)


@app.command()
def withdraw(
    folder: Annotated[Path, typer.Argument(help="Study folder.", metavar="DIR")],
    participant: Annotated[str, typer.Argument(help="Who withdraws, by pseudonym.", metavar="PARTICIPANT")],
    sure: Annotated[bool, typer.Option("--sure", help="Do not ask to type the pseudonym once more.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Wipe a participant's sweeps, answers and notes for good; that they took part, and hashes, stay."""
    from decussa.compose.keeping import withdraw_participant

    if not sure and typer.prompt(f"This cannot be undone. Type {participant} to wipe what is kept") != participant:
        raise UsageError("pseudonym typed is another one", expected=participant, do="nothing was wiped; try again")
    done = withdraw_participant(folder, participant)
    if as_json:
        print_json({"participant": participant, "entries": done.entries, "sweeps": done.sweeps})
        return
    typer.echo(
        f"{participant} has withdrawn: {count(done.entries, 'entry', 'entries')} and {count(done.sweeps, 'sweep')} wiped. "
        "Copies outside this folder (backups, exports, shared tables) are yours to delete."
    )


@app.command()
def check(
    folder: Annotated[Path, typer.Argument(help="Study folder.", metavar="DIR")], as_json: JsonOption = False
) -> None:
    """Check that nothing in a study was changed, lost or broken."""
    from decussa.store.check import check_study

    findings = check_study(folder)
    if as_json:
        print_json({"study": str(folder), "findings": [finding.sentence() for finding in findings]})
    elif findings:
        for finding in findings:
            typer.echo(finding.sentence())
    else:
        typer.echo(f"{folder}: whole. Every entry and sweep is as it was written.")
    if findings:
        raise typer.Exit(1)


def _finish(folder: Path, outcome: Outcome, *, as_json: bool) -> None:
    """Say how a session ended; of a rehearsal also what the truth says about it."""
    from decussa.command.terminal import estimate_text
    from decussa.compose.looking import read_debrief

    sweeps = sum(entry.kind == "answered" and entry.has_sweep for entry in outcome.entries)
    debrief = None if outcome.stopped else read_debrief(folder, outcome.session)
    if as_json:
        found = {name: _estimate_json(estimate) for name, estimate in outcome.found.items()}
        result = {"session": outcome.session, "stopped": outcome.stopped, "sweeps": sweeps, "found": found}
        print_json(result | {"debrief": list(debrief.sentences())} if debrief else result)
        return
    typer.echo("")
    typer.echo(f"Session {outcome.session}: {outcome.stopped or 'finished'}. {count(sweeps, 'sweep')}.")
    for name, estimate in outcome.found.items():
        typer.echo(f"  {name}: {estimate_text(name, estimate)}")
    if debrief is not None:
        typer.echo("\nDebrief: what was found against what is true of this virtual participant.")
        for sentence in debrief.sentences():
            typer.echo(f"  {sentence}")
    typer.echo(f"Pages: decussa report {folder}")


def _estimate_json(estimate: Estimate) -> dict[str, float | str | int | None]:
    """Return an estimate for machines."""
    return {
        "value": _number(estimate.value),
        "low": _number(estimate.low),
        "high": _number(estimate.high),
        "n": estimate.n,
        "reason": estimate.reason,
    }


def _number(value: float) -> float | str | None:
    """Return a number as JSON has it: none for NaN, a word for the infinities."""
    if math.isnan(value):
        return None
    return value if math.isfinite(value) else "no upper limit" if value > 0 else "no lower limit"
