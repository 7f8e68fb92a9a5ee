"""Joins tables and studies into what can be said over people, sessions, raters and sites; and two ways of measuring."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd

from decussa.batch.summary import summarise
from decussa.batch.trials import complete
from decussa.compose.reviewed_trials import FIRST
from decussa.compose.study_reports import is_study, study_methods
from decussa.compose.summarising import read_trials, session_tables_of
from decussa.model.errors import DecussaError, MachineError, RecordingError, UsageError
from decussa.pool.comparisons import Comparison, compare
from decussa.pool.methods import SWEEP, Differences, QuantityChange, differences, summary_changes
from decussa.pool.models import fit_muscle
from decussa.pool.pooled import Pooled, pool
from decussa.pool.repeated import reliabilities
from decussa.pool.sites import PROFILE
from decussa.pool.tidy import PEOPLE, muscles, with_people
from decussa.recording.read import fingerprint
from decussa.report.pool_files import write_differences, write_pool

#: What tells two tables of the same sweeps apart, and what such a comparison is called.
_LAYERS = (("reviewed_by", "rater"), ("method", "method"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """What two ways of measuring gave: the files, and the findings."""

    files: tuple[Path, ...]
    differences: Differences
    changes: tuple[QuantityChange, ...]
    comparisons: tuple[tuple[Comparison, Comparison], ...]


def pool_trials(
    trials: pd.DataFrame, people: pd.DataFrame | None = None, sites: pd.DataFrame | None = None, *, reference: str = "",
    effect: float = 1.3, seed: int = 0, summary: pd.DataFrame | None = None,
) -> Pooled:  # fmt: skip
    """Return the statistics over a study: comparisons, reliability, paired indices, sites, trials and people needed.

    Parameters
    ----------
    trials : DataFrame
        Trial table as ``measure`` gives it, of several participants. Where it holds the same sweeps twice (by two raters or
        two methods), the first of them counts for everything but the agreement of both.
    people : DataFrame, optional
        Table of participants: ``participant`` or ``participant_id``, with ``group`` or ``site`` or both.
    sites : DataFrame, optional
        Profile of the sites: ``site`` and any other columns.
    reference : str
        Condition the others are held against; the single pulses in the blocks of paired ones where omitted.
    effect : float
        True ratio that planned studies are to find.
    seed : int
        Of the draws for sizes below the noise.
    summary : DataFrame, optional
        Summary of the trials where more is known than they say: that of a study holds what its searches found.

    Returns
    -------
    Pooled.

    Raises
    ------
    RecordingError
        If the table cannot be read as one, holds a sweep twice with nothing to tell the two apart, or ``people`` lacks
        somebody.
    UsageError
        If the reference is no condition, the effect no ratio above 0 other than 1, or the site profile cannot be joined.
    """
    if not (0 < effect < float("inf")) or effect == 1:
        raise UsageError(
            "no effect follows", where="--effect", expected="a ratio above 0 other than 1", found=f"{effect:g}"
        )
    table = with_people(complete(trials), people)
    by, layers = _layers(table)
    first = layers[0][1]
    known = [summary] if summary is not None and len(layers) == 1 else [summarise(layer) for _, layer in layers]
    summaries = [with_people(one, people) for one in known]
    found = pool(first, summaries[0], reference=reference, described=sites, effect=effect, seed=seed)
    if len(layers) == 1:
        return found
    named = [summary.assign(layer=name) for (name, _), summary in zip(layers, summaries, strict=True)]
    both = pd.concat(named, ignore_index=True)
    agreement = tuple(replace(one, by=by) for one in reliabilities(both, by="layer"))
    return replace(found, reliability=(*found.reliability, *agreement))


def _layers(table: pd.DataFrame) -> tuple[str, list[tuple[str, pd.DataFrame]]]:
    """Return the trial table once for every rater or method that it holds the same sweeps of."""
    if not table.duplicated(SWEEP).any():
        return "", [("", table)]
    for column, by in _LAYERS:
        if not table.duplicated([*SWEEP, column]).any():
            named = {str(name): rows for name, rows in table.groupby(column, sort=False)}
            return by, [(name or "automatic", rows.reset_index(drop=True)) for name, rows in named.items()]
    row = int(table.duplicated(SWEEP).to_numpy().argmax())
    raise RecordingError(
        "a sweep stands twice", where=f"trial table, row {row + 1}",
        expected="each sweep and muscle once, or by two raters or methods",
        found=f"{table['recording'].iloc[row]}, sweep {table['sweep'].iloc[row]:g}, {table['muscle'].iloc[row]}",
        do="give each table once",
    )  # fmt: skip


def pool_files(
    paths: Sequence[Path], out: Path, *, people: Path | None = None, sites: Path | None = None, reference: str = "",
    effect: float = 1.3, rater: str = FIRST,
) -> tuple[Pooled, list[Path]]:  # fmt: skip
    """Pool trial tables and study folders, write what was found into ``out``, and return both.

    Raises
    ------
    RecordingError, UsageError, MachineError
        As ``pool_trials``; or if a file cannot be read or written.
    """
    taken = _take(paths, rater)
    listed = None if people is None else _sheet(people)
    described = None if sites is None else _sheet(sites)
    with _called_by_file({PEOPLE: people, PROFILE: sites}):
        found = pool_trials(
            taken.trials, listed, described, reference=reference, effect=effect, summary=taken.summary
        )  # fmt: skip
    sheets = [f"`{path.name}` (SHA-256 {fingerprint(path)})" for path in (people, sites) if path is not None]
    methods = "\n".join(study_methods(path, rater=rater) for path in paths if is_study(path))
    return found, write_pool(out, found, inputs=[*taken.inputs, *sheets], methods=methods)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Taken:
    """What was read to be pooled; ``summary`` is None where the trials say all that is known."""

    trials: pd.DataFrame
    summary: pd.DataFrame | None
    inputs: tuple[str, ...]


def _take(paths: Sequence[Path], rater: str) -> _Taken:
    studies = [path for path in paths if is_study(path)]
    if rater != FIRST and not studies:
        raise UsageError("only a study has raters", where="--rater", expected="a study folder", found=str(paths[0]))
    tables = [(path, read_trials(path)) for path in paths if path not in studies]
    trials = [table for _, table in tables]
    inputs = [f"`{path.name}`{_hash_words(path)}" for path, _ in tables]
    summaries = [summarise(pd.concat(trials, ignore_index=True))] if trials and studies else []
    for folder in studies:
        # Sites and settings of a search are no conditions to compare.
        for own, summary in session_tables_of(folder, rater, measuring=True):
            trials.append(own)
            summaries.append(summary)
        inputs.append(f"study `{folder.name}`: trials of steps that measure, {_rater_words(rater)}")
    together = pd.concat(trials, ignore_index=True)
    if together.empty:
        raise RecordingError("there is no trial to pool", where=paths[0], do="run or import a session that measures")
    return _Taken(
        trials=together,
        summary=pd.concat(summaries, ignore_index=True) if summaries else None,
        inputs=tuple(inputs),
    )


def _rater_words(rater: str) -> str:
    return (
        f"verdicts and marks of {rater}" if rater else "verdicts and marks of the first rater, where somebody reviewed"
    )


def _hash_words(path: Path) -> str:
    return f" (SHA-256 {fingerprint(path)})" if path.is_file() else " (a data set)"


def _sheet(path: Path) -> pd.DataFrame:
    """Return a small table of people or sites: comma or tab separated by ending."""
    if not path.is_file():
        raise MachineError("table cannot be read", where=path, found="no such file")
    try:
        return pd.read_csv(
            path,
            sep="\t" if path.suffix.lower() == ".tsv" else ",",
            dtype=str,
            keep_default_na=False,
            encoding="utf-8-sig",
        )
    except (ValueError, pd.errors.ParserError) as error:
        raise RecordingError(
            "table cannot be read", where=path, expected="a .csv or .tsv with a line of headings", found=str(error)
        ) from error


@contextmanager
def _called_by_file(files: Mapping[str, Path | None]) -> Iterator[None]:
    """Let errors about a table say the name of its file."""
    try:
        yield
    except DecussaError as error:
        if (path := files.get(error.where)) is not None:
            error.move(error.where, str(path))
        raise


def compare_files(
    first: Path, second: Path, out: Path, *, people: Path | None = None, reference: str = ""
) -> Compared:  # fmt: skip
    """Hold two trial tables of the same recordings against each other, write the findings into ``out``, and return them.

    Raises
    ------
    RecordingError, UsageError, MachineError
        If a table cannot be read, the two have no sweep in common, or a file cannot be written.
    """
    listed = None if people is None else _sheet(people)
    tables = [complete(_take([path], FIRST).trials) for path in (first, second)]
    found = differences(*tables)
    # Only what both hold says what the method changes; what one alone holds is counted.
    shared = tables[0][SWEEP].merge(tables[1][SWEEP], on=SWEEP)
    tables = [table.merge(shared, on=SWEEP) for table in tables]
    changes = summary_changes(*(summarise(table) for table in tables))
    with _called_by_file({PEOPLE: people}):
        answers = [_answers(with_people(table, listed), reference) for table in tables]
    both = tuple((one, answers[1][key]) for key, one in answers[0].items() if key in answers[1])
    names = _called(first, tables[0]), _called(second, tables[1])
    files = write_differences(out, names, found, changes, both)
    return Compared(files=tuple(files), differences=found, changes=changes, comparisons=both)


def _called(path: Path, table: pd.DataFrame) -> str:
    """Return a table's name with how it was measured."""
    methods = [str(method) for method in table["method"].unique() if method]
    more = f" and {len(methods) - 1} more methods" if len(methods) > 1 else ""
    return f"{path.name} ({methods[0]}{more})" if methods else path.name


def _answers(table: pd.DataFrame, reference: str) -> dict[tuple[str, ...], Comparison]:
    """Return the comparisons over people by what they compare; none for a muscle of too few people."""
    found: dict[tuple[str, ...], Comparison] = {}
    for muscle in muscles(table, reference=reference):
        try:
            comparisons = compare(fit_muscle(muscle))
        except UsageError:
            continue
        found |= {one.key: one for one in comparisons}
    return found
