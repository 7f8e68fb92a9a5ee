"""The command that shares a study: export."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from decussa.command.app import JsonOption, app, count, print_json, say
from decussa.command.recordings import RaterOption
from decussa.model.errors import UsageError


@app.command()
def export(
    folder: Annotated[Path, typer.Argument(help="Study folder.", metavar="DIR")],
    bids: Annotated[
        Path | None, typer.Option(help="Folder to make: a BIDS data set, with tables as derivative.")
    ] = None,
    hdf5: Annotated[Path | None, typer.Option(help="File to write: sweeps and tables in HDF5.")] = None,
    nwb: Annotated[Path | None, typer.Option(help="Folder for NWB files, or one .nwb file.")] = None,
    csv: Annotated[Path | None, typer.Option(help="Folder for CSV tables that spreadsheets leave as they are.")] = None,
    parquet: Annotated[Path | None, typer.Option(help="Folder for Parquet tables.")] = None,
    label: Annotated[
        list[str] | None, typer.Option(help="Another label in shared data: PSEUDONYM=LABEL; may be repeated.")
    ] = None,
    shift_dates: Annotated[bool, typer.Option("--shift-dates", help="Move dates to a year long past.")] = False,
    draft_stimulation_metadata: Annotated[
        bool,
        typer.Option("--draft-stimulation-metadata", help="Describe the stimulation by a draft of the standard, too."),
    ] = False,
    decimal_comma: Annotated[
        bool, typer.Option("--decimal-comma", help="CSV for spreadsheets with a decimal comma.")
    ] = False,
    author: Annotated[list[str] | None, typer.Option(help="Author of the data set; may be repeated.")] = None,
    licence: Annotated[str, typer.Option("--license", help="Licence of the data set, such as CC0.")] = "",
    rater: RaterOption = "",
    as_json: JsonOption = False,
) -> None:
    """Share a study: raw EMG and tables, by pseudonym, without screening answers and without who withdrew."""
    from decussa.compose.exporting import Sharing, export_study

    shared = export_study(
        folder,
        Sharing(
            bids=bids,
            hdf5=hdf5,
            nwb=nwb,
            csv=csv,
            parquet=parquet,
            labels=dict(read_label(text) for text in label or ()),
            shifted=shift_dates,
            draft_stimulation=draft_stimulation_metadata,
            decimal_comma=decimal_comma,
            rater=rater,
            authors=tuple(author or ()),
            licence=licence,
        ),
        say=say,
    )
    if as_json:
        print_json(
            {
                "written": [str(path) for path in shared.written],
                "sessions": shared.sessions,
                "notes": list(shared.notes),
            }
        )
        return
    for path in shared.written:
        typer.echo(f"Written: {path}")
    typer.echo(f"{count(shared.sessions, 'session')}.")
    for note in shared.notes:
        typer.echo(f"Note: {note}", err=True)


def read_label(text: str) -> tuple[str, str]:
    """Return both sides of ``PSEUDONYM=LABEL``."""
    pseudonym, _, label = text.partition("=")
    if not pseudonym or not label:
        raise UsageError("label cannot be read", where="--label", expected="two names with = between", found=repr(text))
    return pseudonym, label
