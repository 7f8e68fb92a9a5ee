"""Commands over a whole study: pool, compare."""

from __future__ import annotations

import math
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from decussa.command.app import JsonOption, app, count, print_json
from decussa.command.recordings import RaterOption

if TYPE_CHECKING:
    from decussa.pool.comparisons import Comparison

PeopleOption = Annotated[
    Path | None, typer.Option(help="Table of participants with group or site: participants.tsv or .csv.")
]
ReferenceOption = Annotated[str, typer.Option(help="Condition the others are held against.")]


@app.command()
def pool(
    tables: Annotated[list[Path], typer.Argument(help="Trial tables, or study folders.", metavar="TABLE")],
    out: Annotated[Path, typer.Option(help="Folder for tables, figures and pool.md.")],
    people: PeopleOption = None,
    sites: Annotated[Path | None, typer.Option(help="Profile of the sites: a table with a column site.")] = None,
    reference: ReferenceOption = "",
    effect: Annotated[float, typer.Option(help="True ratio that a planned study is to find.")] = 1.3,
    rater: RaterOption = "",
    as_json: JsonOption = False,
) -> None:
    """Pool a study: reliability, comparisons, paired indices, sites, how many trials and people."""
    from decussa.compose.pooling import pool_files

    found, files = pool_files(tables, out, people=people, sites=sites, reference=reference, effect=effect, rater=rater)
    if as_json:
        print_json({
            "files": [str(path) for path in files], "participants": found.participants, "sessions": found.sessions,
            "trials": found.trials, "warnings": list(found.warnings),
            "muscles": [
                {
                    "muscle": one.muscle.name, "formula": one.fitted.formula if one.fitted else None, "reason": one.reason,
                    "comparisons": [_plain(each) for each in one.comparisons],
                }
                for one in found.muscles
            ],
        })  # fmt: skip
        return
    comparisons = sum(len(one.comparisons) for one in found.muscles)
    typer.echo(
        f"{count(found.participants, 'participant')}, {count(found.sessions, 'session')}, {count(found.trials, 'trial')}: "
        f"{count(comparisons, 'comparison')}, {count(len(found.reliability), 'reliability', 'reliabilities')}."
    )
    for one in found.muscles:
        if one.reason:
            typer.echo(f"No model: {one.reason}", err=True)
    for warning in found.warnings:
        typer.echo(f"Mind: {warning}", err=True)
    typer.echo(f"Written: {files[0]} and {count(len(files) - 1, 'table or figure', 'tables and figures')} beside it")


@app.command()
def compare(
    first: Annotated[Path, typer.Argument(help="Trial table measured one way.")],
    second: Annotated[Path, typer.Argument(help="Trial table of the same recordings measured another way.")],
    out: Annotated[Path, typer.Option(help="Folder for tables, figures and compare.md.")],
    people: PeopleOption = None,
    reference: ReferenceOption = "",
    as_json: JsonOption = False,
) -> None:
    """Hold two ways of measuring the same recordings against each other: what would change in the study."""
    from decussa.compose.pooling import compare_files
    from decussa.report.pool_text import change_sentences

    found = compare_files(first, second, out, people=people, reference=reference)
    if as_json:
        print_json({
            "files": [str(path) for path in found.files], "sweeps": found.differences.sweeps,
            "only_first": found.differences.only_first, "only_second": found.differences.only_second,
            "verdicts": [list(row) for row in found.differences.verdicts],
            "changes": [_finite(asdict(one)) for one in found.changes],
            "comparisons": [{"first": _plain(one), "second": _plain(other)} for one, other in found.comparisons],
        })  # fmt: skip
        return
    typer.echo(f"{count(found.differences.sweeps, 'sweep')} in both tables.")
    typer.echo("\n".join(change_sentences(found.changes, found.comparisons)))
    typer.echo(
        f"Written: {found.files[0]} and {count(len(found.files) - 1, 'table or figure', 'tables and figures')} beside it"
    )


def _plain(one: Comparison) -> dict[str, Any]:
    estimate = _finite(asdict(one.estimate))
    own = {name: value for name, value in asdict(one).items() if name != "estimate"}
    return {**_finite(own), **estimate}


def _finite(values: dict[str, Any]) -> dict[str, Any]:
    """Return the values with null where a number is missing or has no end: JSON has neither."""
    return {
        name: None if isinstance(value, float) and not math.isfinite(value) else value for name, value in values.items()
    }
