"""The statistics over a study as files: tables, figures as SVG and PDF, and the page that explains them."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
from matplotlib.figure import Figure
from numpy.typing import NDArray

from decussa.estimate.average import exponential
from decussa.model.estimate import Estimate
from decussa.pool.comparisons import Comparison
from decussa.pool.methods import Differences, QuantityChange
from decussa.pool.pooled import Pooled
from decussa.recording.tables import write_table
from decussa.recording.whole_file import make_folder, whole_file
from decussa.report.forest import Line, Scatter, draw_agreement, draw_forest
from decussa.report.pool_tables import difference_tables, pool_tables
from decussa.report.pool_text import difference_page, pool_page, question_words
from decussa.report.style import drawing_style, to_svg

#: Width of a figure, and the height of one of differences against means.
WIDTH_MM, AGREEMENT_MM = 170.0, 80.0
#: More lines than this are not drawn one by one.
MOST_LINES = 60


def write_pool(folder: Path, pooled: Pooled, *, inputs: Sequence[str] = (), methods: str = "") -> list[Path]:
    """Write tables, figures and ``pool.md`` into ``folder``; return the files, the page first.

    ``inputs`` say which tables and studies were taken, ``methods`` how their sessions were measured (empty: not known).

    Raises
    ------
    MachineError
        If a file cannot be written.
    """
    tables = _write_tables(folder, pool_tables(pooled))
    figures = _write_figures(folder, _pool_figures(pooled))
    told = [_write_text(folder / "methods.md", methods)] if methods else []
    page = pool_page(
        pooled, [path.name for path in tables], [path.name for path in figures], inputs=inputs,
        methods=told[0].name if told else "",
    )  # fmt: skip
    return [_write_text(folder / "pool.md", page), *told, *tables, *figures]


def write_differences(
    folder: Path, names: tuple[str, str], found: Differences, changes: tuple[QuantityChange, ...],
    both: Sequence[tuple[Comparison, Comparison]],
) -> list[Path]:  # fmt: skip
    """Write tables, figures and ``compare.md`` into ``folder``; return the files, the page first.

    Raises
    ------
    MachineError
        If a file cannot be written.
    """
    tables = _write_tables(folder, difference_tables(found, changes))
    figures = _write_figures(folder, _difference_figures(found))
    return [_write_text(folder / "compare.md", difference_page(names, found, changes, both)), *tables, *figures]


Draw = Callable[[], Figure]
Values = NDArray[np.float64]


def _pool_figures(pooled: Pooled) -> Iterator[tuple[str, Draw]]:
    axis = "ratio of geometric means (log scale), 95 % interval"
    for one in pooled.muscles:
        lines = [Line(name=question_words(each), estimate=each.estimate) for each in one.comparisons]
        if lines:
            yield f"comparisons-{one.muscle.name}", partial(draw_forest, lines[:MOST_LINES], WIDTH_MM, axis)
        for number, table in enumerate(one.sites, start=1):
            lines = [
                *(
                    Line(name=site, estimate=each.estimate, weight=float(weight))
                    for (site, each), weight in zip(table.sites, table.joined.weights, strict=True)
                ),
                Line(name="together", estimate=table.together, look="joined"),
                Line(name="a new site", estimate=table.prediction, look="predicted"),
            ]
            title = f"{question_words(table.sites[0][1])}: ratio (log scale)"
            yield f"sites-{one.muscle.name}-{number}", partial(draw_forest, lines, WIDTH_MM, title)
    for index in pooled.paired:
        if index.part or index.joined is None or len(index.people) > MOST_LINES:
            continue
        people = _people_lines(index.people, index.joined.weights)
        lines = [*people, Line(name="together", estimate=index.ratio, look="joined"),
                 Line(name="a new person", estimate=index.prediction, look="predicted")]  # fmt: skip
        title = f"{index.quantity.replace('_', ' ')}, {index.condition}: ratio of means (log scale)"
        name = f"paired-{index.muscle}-{index.quantity}-{index.condition}"
        yield name, partial(draw_forest, lines, WIDTH_MM, title)


def _people_lines(people: pd.DataFrame, weights: Values) -> Iterator[Line]:
    logs, halves = people["log"].to_numpy(float), 1.959964 * people["error"].to_numpy(float)
    for name, log, half, weight in zip(people["participant"], logs, halves, weights, strict=True):
        low, value, high = (exponential(float(end)) for end in (log - half, log, log + half))
        yield Line(name=str(name), estimate=Estimate(value=value, low=low, high=high), weight=float(weight))


def _difference_figures(found: Differences) -> Iterator[tuple[str, Draw]]:
    for one in found.columns:
        if one.n < 3 or not one.differ:
            continue
        first, second = one.pairs[:, 0], one.pairs[:, 1]
        scatter = Scatter(
            means=np.sqrt(first * second) if one.ratios else (first + second) / 2,
            differences=second / first if one.ratios else second - first,
            levels=(one.limits.bias, one.limits.lower, one.limits.upper),
            horizontal=f"{'geometric mean' if one.ratios else 'mean'} of {one.column} of both",
            vertical="second over first" if one.ratios else f"second minus first, {one.unit}",
            ratios=one.ratios,
        )
        yield f"agreement-{one.column}", partial(draw_agreement, scatter, WIDTH_MM, AGREEMENT_MM)


def _write_tables(folder: Path, tables: dict[str, pd.DataFrame]) -> list[Path]:
    make_folder(folder)
    paths = []
    for name, table in tables.items():
        write_table(table, folder / f"{name}.csv")
        paths.append(folder / f"{name}.csv")
    return paths


def _write_figures(folder: Path, figures: Iterator[tuple[str, Draw]]) -> list[Path]:
    paths = []
    with drawing_style():
        for name, draw in figures:
            stem = re.sub(r"[^A-Za-z0-9_]+", "-", name).strip("-").lower()
            figure = draw()
            paths.append(_write_text(folder / f"{stem}.svg", to_svg(figure)))
            with whole_file(folder / f"{stem}.pdf") as partial:
                figure.savefig(
                    partial, format="pdf", metadata={"CreationDate": None, "Producer": None, "Creator": None}
                )
            paths.append(folder / f"{stem}.pdf")
    return paths


def _write_text(path: Path, text: str) -> Path:
    with whole_file(path) as unfinished:
        unfinished.write_text(text, encoding="utf-8")
    return path
