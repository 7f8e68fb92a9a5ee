"""Commands on recordings: demo, measure, summarise, report."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from decussa.command.app import SEE_WHERE, JsonOption, Trace, app, count, print_json, progress_bar, say
from decussa.model.errors import UsageError

if TYPE_CHECKING:
    from decussa.batch.many import Archive
    from decussa.batch.settings import MeasureSettings
    from decussa.model.muscle import Window


#: Of more recordings than these, only those are shown in which something is odd.
FEW_RECORDINGS = 3

RaterOption = Annotated[
    str, typer.Option(help="Of a study: whose review counts; the first rater's, or 'automatic' for none.")
]


@app.command()
def demo(
    folder: Annotated[Path, typer.Argument(help="Folder to make.")] = Path("decussa-demo"),
    seed: Annotated[int, typer.Option(help="Seed of the invented people.")] = 1,
    as_json: JsonOption = False,
) -> None:
    """Invent a small study, then measure, summarise and report it as a user would."""
    from decussa.compose.demo import make_demo

    made = make_demo(folder, seed=seed, say=say)
    if as_json:
        print_json({"folder": str(folder), **made.as_dict()})
        return
    typer.echo(made.sentence())


@app.command()
def measure(
    paths: Annotated[
        list[str], typer.Argument(help="Recordings, BIDS folders, patterns, or URLs of them.", metavar="PATH")
    ],
    out: Annotated[
        str, typer.Option(help="Table to write (.csv, .tsv, .parquet), or a folder: a data set that can be resumed.")
    ] = "",
    events: Annotated[Path | None, typer.Option(help="Sheet of stimuli beside the recording.")] = None,
    mapping: Annotated[
        Path | None, typer.Option(help="TOML file that says how another lab's names, units and labels are meant.")
    ] = None,
    draft_mapping: Annotated[
        Path | None, typer.Option(help="Write a first version of a mapping here, to complete, and measure nothing.")
    ] = None,
    find_artifacts: Annotated[
        bool,
        typer.Option("--find-artifacts", help="Take stimulus artifacts for pulses where nothing else tells of them."),
    ] = False,
    window: Annotated[
        list[str] | None, typer.Option(help="Window of a muscle or channel in ms, such as FCR=10-45; may be repeated.")
    ] = None,
    m_window: Annotated[
        list[str] | None, typer.Option(help="Window of its M-wave in ms, such as FCR=1.5-14; may be repeated.")
    ] = None,
    onset: Annotated[str, typer.Option(help="How the onset is found: model, threshold or none.")] = "model",
    intervals: Annotated[bool, typer.Option(help="Give every sweep's values an interval.")] = True,
    site: Annotated[str, typer.Option(help="Of a data set: where the recordings were made.")] = "",
    workers: Annotated[int, typer.Option(min=1, help="Processes of this machine that measure.")] = 1,
    scheduler: Annotated[str, typer.Option(help="Address of a Dask cluster that measures instead.")] = "",
    as_json: JsonOption = False,
) -> None:
    """Measure recordings: one row per sweep and muscle."""
    from decussa.batch.many import check_out, measure_archive
    from decussa.measuring.prepared import FIRST_USE, is_prepared, prepare

    if draft_mapping is not None:
        _draft(paths, events, draft_mapping, as_json=as_json)
        return
    if not out:
        raise UsageError(
            "no table to write", where="--out", expected="a path ending in .csv, .tsv or .parquet, or a folder"
        )
    check_out(out)
    settings = _settings(window or [], m_window or [], onset, intervals=intervals)
    if not is_prepared(settings.onset):
        say(FIRST_USE)
        prepare(settings.onset)
    with progress_bar() as progress:
        archive = measure_archive(
            paths,
            out,
            settings=settings,
            events=events,
            mapping=mapping,
            find_artifacts=find_artifacts,
            site=site,
            workers=workers,
            scheduler=scheduler,
            progress=progress,
        )
    if as_json:
        print_json(archive.as_dict())
    else:
        _tell(archive)
    for place, fault, trace in archive.faults:
        typer.echo(f"{trace if Trace.on else ''}Fault in the program: {place}: {fault}. {SEE_WHERE}", err=True)
    for _, error in archive.refused:
        typer.echo(f"Refused: {error}", err=True)
    if archive.refused or archive.faults:
        raise typer.Exit(1)


def _draft(paths: list[str], events: Path | None, target: Path, *, as_json: bool) -> None:
    """Write a first version of a mapping for one recording."""
    from decussa.recording.mapping_draft import draft_mapping
    from decussa.recording.whole_file import whole_file

    if len(paths) != 1:
        raise UsageError("a mapping is drafted from one recording", expected="one path", found=f"{len(paths)}")
    if Path(paths[0]).is_dir():
        raise UsageError(
            "a mapping is drafted from one recording", where=paths[0], expected="a recording", found="a folder"
        )
    if target.exists():
        raise UsageError("draft would replace a file", where=target, do="name another file, or remove it first")
    text = draft_mapping(paths[0], events)
    with whole_file(target) as partial:
        partial.write_text(text, encoding="utf-8")
    questions = sum('"?"' in line for line in text.splitlines() if not line.startswith("#"))
    doubts = sum("# doubt:" in line for line in text.splitlines() if not line.startswith("#"))
    if as_json:
        print_json({"mapping": str(target), "questions": questions, "doubts": doubts})
        return
    typer.echo(f"Written: {target}: {count(questions, 'question')} to answer, {count(doubts, 'doubt')} to settle.")
    typer.echo("Go through it, then measure with --mapping.")


def _tell(archive: Archive) -> None:
    if archive.out:
        words = ", ".join(f"{number} {kind}" for kind, number in archive.verdicts.items())
        number = len(archive.measured) + len(archive.unchanged)
        unchanged = (
            f" ({len(archive.unchanged)} of them unchanged since they were measured)" if archive.unchanged else ""
        )
        typer.echo(f"{count(number, 'recording')}{unchanged}, {archive.rows} rows: {words}.")
        typer.echo(f"Written: {archive.out}")
        _tell_delivery(archive)
    for note in archive.notes:
        typer.echo(f"Note: {note}", err=True)


def _tell_delivery(archive: Archive) -> None:
    """Say what the recordings show of their pulses: of a few all, of many those where something is odd."""
    from decussa.batch.proof import proof_lines

    odd = [
        place
        for place, proof in archive.delivery.items()
        if proof["missing"] or proof["extra"] or proof["without_stimulus_s"]
    ]
    few = len(archive.delivery) <= FEW_RECORDINGS
    for place in list(archive.delivery) if few else odd[:FEW_RECORDINGS]:
        for line in proof_lines(Path(place).name, archive.delivery[place]):
            typer.echo(line)
    if not few:
        typer.echo(
            f"Pulses are missing, too many or unnamed in {len(odd)} of {len(archive.delivery)} recordings; all with --json."
        )


@app.command()
def summarise(
    tables: Annotated[list[Path], typer.Argument(help="Trial tables, or study folders.", metavar="TABLE")],
    out: Annotated[Path, typer.Option(help="Table to write: .csv, .tsv or .parquet.")],
    rater: RaterOption = "",
    as_json: JsonOption = False,
) -> None:
    """Sum up trial tables, or studies: one row per participant, session, muscle and quantity."""
    from decussa.compose.summarising import sum_up
    from decussa.recording.tables import check_table_path, write_table

    check_table_path(out)
    trials, summary = sum_up(tables, rater=rater)
    write_table(summary, out)
    reviewed = int((trials["reviewed_by"].fillna("") != "").sum()) if "reviewed_by" in trials else 0
    if as_json:
        print_json({"table": str(out), "trials": len(trials), "reviewed": reviewed, "rows": len(summary)})
        return
    typer.echo(f"{len(trials)} trials, {reviewed} of them reviewed, {len(summary)} rows.")
    typer.echo(f"Written: {out}")


@app.command()
def report(
    folder: Annotated[
        Path, typer.Argument(help="Study, BIDS data set, folder of recordings, or one recording.", metavar="DIR")
    ],
    session: Annotated[
        str,
        typer.Option(help="Only this one: PARTICIPANT or PARTICIPANT/SESSION; of a study a session or PARTICIPANT."),
    ] = "",
    out: Annotated[Path | None, typer.Option(help="PDF to write, or folder for several.")] = None,
    methods: Annotated[
        Path | None, typer.Option(help="Text file to write besides: methods and reporting checklist, to paste.")
    ] = None,
    rater: RaterOption = "",
    as_json: JsonOption = False,
) -> None:
    """Write the session report as PDF; several sessions give one each."""
    from decussa.compose.reporting import methods_of, report_sessions, write_methods

    with progress_bar() as progress:
        written = report_sessions(folder, session=session, out=out, rater=rater, progress=progress)
    if methods is not None:
        written = (*written, write_methods(methods, methods_of(folder, session=session, rater=rater)))
    if as_json:
        print_json({"reports": [str(path) for path in written]})
        return
    for path in written:
        typer.echo(f"Written: {path}")


def _settings(windows: list[str], m_windows: list[str], onset: str, *, intervals: bool) -> MeasureSettings:
    from decussa.batch.settings import MeasureSettings

    methods = {"model": "model", "threshold": "threshold", "none": None}
    if onset not in methods:
        raise UsageError("onset method is not known", where="--onset", expected=", ".join(methods), found=repr(onset))
    return MeasureSettings(
        windows=dict(_read_window(text, "--window") for text in windows),
        m_windows=dict(_read_window(text, "--m-window") for text in m_windows),
        onset=methods[onset],  # type: ignore[arg-type]
        intervals=intervals,
    )


def _read_window(text: str, option: str) -> tuple[str, Window]:
    name, _, span = text.partition("=")
    start, _, end = span.partition("-")
    try:
        window = float(start), float(end)
    except ValueError:
        window = (0.0, 0.0)
    if not name or not 0 < window[0] < window[1] <= 400:
        raise UsageError(
            "window cannot be read",
            where=option,
            expected="MUSCLE=START-END in ms, such as FCR=10-45",
            found=repr(text),
        )
    return name, window
