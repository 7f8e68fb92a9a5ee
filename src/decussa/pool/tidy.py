"""From trials to what a model takes: one row per usable size, its place in the study, and which sizes are below the noise."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from decussa.model.errors import RecordingError, UsageError

#: What errors call the table of participants, where no file is known.
PEOPLE = "table of participants"
#: Columns that make a block; a block of the same name in another recording is another block.
_BLOCK = ["recording", "task", "run", "block"]
_SESSION = ["session", "timepoint"]
#: A factor with more levels than this is not compared level by level.
MOST_LEVELS = 12


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Muscle:
    """Usable sizes of one muscle, one row each.

    Columns of ``sizes``: row (the trial's label in the table that was given), participant, site, group, time, condition
    (text), session, block (numbers), log_size (NaN where below the noise), limit (log of the noise where below it),
    background (log, from the participant's own mean; NaN unknown), order (place in the block, from -0.5 to 0.5), kind
    (single or paired). ``time`` is the timepoint, or the session where there are no timepoints. ``notes`` say what was left
    out.
    """

    name: str
    sizes: pd.DataFrame
    reference: str
    notes: tuple[str, ...]


def with_people(trials: pd.DataFrame, people: pd.DataFrame | None) -> pd.DataFrame:
    """Return ``trials`` with the columns ``group`` and ``site`` of a table of participants.

    Parameters
    ----------
    trials : DataFrame
        With ``participant``; a column ``site`` or ``group`` of its own counts where ``people`` has none.
    people : DataFrame, optional
        With ``participant`` or BIDS' ``participant_id``, and ``group`` or ``site`` or both.

    Raises
    ------
    RecordingError
        If the table of participants names nobody, somebody twice, or leaves out somebody of the trials.
    """
    table = trials.copy()
    if people is not None:
        known = _known_people(people)
        lacking = sorted(set(table["participant"]) - set(known.index))
        if lacking:
            raise RecordingError(
                "participants of the trials are not in the table of participants",
                where=PEOPLE,
                expected="a row for each",
                found=f"none for {', '.join(lacking[:5])}",
                do="add them, with group and site as text",
            )
        for name in ("group", "site"):
            if name in known.columns:
                table[name] = table["participant"].map(known[name])
    for name in ("group", "site"):
        table[name] = _text(table[name]) if name in table.columns else ""
    return table


def _known_people(people: pd.DataFrame) -> pd.DataFrame:
    names = {str(name).lower(): name for name in people.columns}
    key = next((names[name] for name in ("participant", "participant_id") if name in names), None)
    if key is None:
        raise RecordingError(
            "nobody is named",
            where=PEOPLE,
            expected="a column participant or participant_id",
            found=", ".join(map(str, people.columns)) or "no columns",
            do="name the column of pseudonyms so",
        )
    known = people.rename(columns={key: "participant", **{names[n]: n for n in ("group", "site") if n in names}}).copy()
    known["participant"] = _text(known["participant"]).str.removeprefix("sub-")
    twice = known["participant"][known["participant"].duplicated()].unique()
    if len(twice):
        raise RecordingError(
            "a participant has several rows",
            where=PEOPLE,
            expected="one row for each",
            found=f"several for {', '.join(twice[:5])}",
            do="leave one row for each",
        )
    return known.set_index("participant")


def _text(column: pd.Series[str]) -> pd.Series[str]:
    return column.astype(object).where(column.notna(), "").astype(str).str.strip().replace("n/a", "")


def muscles(trials: pd.DataFrame, *, reference: str = "") -> Iterator[Muscle]:
    """Yield the usable sizes of each muscle.

    Parameters
    ----------
    trials : DataFrame
        A complete trial table with ``kept``, ``_size_uv``, ``group`` and ``site``.
    reference : str
        Condition the others are held against; the single pulses that share blocks with paired ones where omitted.

    Raises
    ------
    UsageError
        If no muscle has a condition of that name.
    """
    table = trials[trials["stim_type"].isin(("single", "paired"))]
    if reference and reference not in set(_conditions(table)):
        raise UsageError(
            "the reference is no condition", where="--reference",
            expected=", ".join(sorted(set(_conditions(table)))[:8]), found=repr(reference),
        )  # fmt: skip
    for name, rows in places(table):
        muscle = _muscle(name, rows.copy(), reference)
        if len(muscle.sizes):
            yield muscle


def places(table: pd.DataFrame) -> Iterator[tuple[str, pd.DataFrame]]:
    """Yield the rows of each muscle with its name; sides apart only where somebody has both."""
    for muscle, rows in table.groupby("muscle", sort=False):
        apart = [
            name for name in ("side", "stim_side") if rows.groupby("participant")[name].nunique(dropna=False).max() > 1
        ]
        if not apart:
            yield str(muscle), rows
            continue
        for key, own in rows.groupby(apart, sort=True):
            words = {
                name: str(value) for name, value in zip(apart, key if isinstance(key, tuple) else (key,), strict=True)
            }
            label = " ".join(part for part in (str(muscle), words.get("side", "")) if part)
            yield f"{label}, {words['stim_side']} stimulated" if "stim_side" in words else label, own


def _conditions(table: pd.DataFrame) -> pd.Series[str]:
    """Return each trial's condition; its interval and contraction where a name has several, its type where it has no name."""
    name = table["condition"].where(table["condition"] != "", table["stim_type"])
    several = table.groupby(name)["isi_ms"].transform("nunique") > 1
    if several.any():
        name = name.where(~several, [condition_words(*one) for one in zip(name, table["isi_ms"], strict=True)])
    return _told_apart(name, _held(table["contraction_pct"]))


def summary_conditions(summary: pd.DataFrame) -> pd.Series[str]:
    """Return the condition of each row of a summary; with its contraction where a name has several."""
    if "contraction_pct" not in summary.columns:
        return summary["condition"]
    return _told_apart(summary["condition"], _held(pd.to_numeric(summary["contraction_pct"], errors="coerce")))


def _held(contraction_pct: pd.Series[float]) -> pd.Series[str]:
    return contraction_pct.map(lambda pct: f"{pct:g} % MVC" if pct > 0 else "")


def _told_apart(name: pd.Series[str], held: pd.Series[str]) -> pd.Series[str]:
    """Return names with the contraction behind those that occur with several, or with one and at rest."""
    several = held.groupby(name).transform("nunique") > 1
    return name.where(~several | (held == ""), name + ", " + held)


def condition_words(condition: object, isi_ms: object) -> str:
    """Return a condition's name with its interval, where it has one."""
    return f"{condition} {isi_ms:g} ms" if isinstance(isi_ms, float) and math.isfinite(isi_ms) else str(condition)


def _muscle(name: str, rows: pd.DataFrame, reference: str) -> Muscle:
    notes: list[str] = []
    rows["condition"] = _conditions(rows)
    rows["session_key"] = rows.groupby(_SESSION, sort=False).ngroup()
    rows["block_key"] = rows.groupby([*_SESSION, *_BLOCK], sort=False).ngroup()
    place = rows.groupby(["participant", "block_key"], sort=False)["onset_s"]
    rank, count = place.rank(method="first"), place.transform("size")
    rows["order"] = ((rank - 1) / (count - 1).clip(lower=1) - 0.5).fillna(0.0)
    rows = _without_curves(rows, notes)
    usable = rows[rows["kept"] & rows["_size_uv"].notna()]
    lost = len(rows) - len(usable)
    if lost:
        notes.append(f"{lost} of {len(rows)} trials are rejected or have no size")
    sizes = _sizes(usable, notes)
    return Muscle(
        name=name, sizes=sizes, reference=_reference(usable, reference), notes=tuple(notes)
    )  # fmt: skip


def _without_curves(rows: pd.DataFrame, notes: list[str]) -> pd.DataFrame:
    """Leave out conditions that a session gives at several intensities: their sizes are no one quantity."""
    levels = rows.groupby(["participant", "session_key", "condition"])["intensity_mso"].transform("nunique")
    curved = sorted(rows.loc[levels > 1, "condition"].unique())
    if curved:
        notes.append(f"left out, given at several intensities in a session: {', '.join(curved)}")
    return rows[~rows["condition"].isin(curved)].copy()


def _sizes(usable: pd.DataFrame, notes: list[str]) -> pd.DataFrame:
    size, noise = usable["_size_uv"].to_numpy(float), usable["noise_uv"].to_numpy(float)
    below = (size <= noise) | (size == 0)
    unknown = (size == 0) & ~(noise > 0)
    if unknown.any():
        least = usable["_size_uv"].where(size > 0).groupby(usable["participant"]).transform("min").to_numpy(float)
        noise = np.where(unknown, least, noise)
        notes.append(
            f"{int(unknown.sum())} sizes are 0 with no known noise: taken as below the participant's smallest size"
        )
    with np.errstate(divide="ignore", invalid="ignore"):
        logs, limits = np.where(below, np.nan, np.log(size)), np.where(below, np.log(noise), np.nan)
        background = np.log(usable["background_rms_uv"].where(usable["background_rms_uv"] > 0))
    return pd.DataFrame(
        {
            "row": usable.index,
            "participant": usable["participant"],
            "site": usable["site"],
            "group": usable["group"],
            "time": time_of(usable),
            "session": usable["session_key"],
            "block": usable["block_key"],
            "condition": usable["condition"],
            "kind": usable["stim_type"],
            "log_size": logs,
            "limit": limits,
            "background": background - background.groupby(usable["participant"]).transform("mean"),
            "order": usable["order"],
        }
    ).reset_index(drop=True)


def time_of(table: pd.DataFrame) -> pd.Series[str]:
    """Return what tells sessions of a participant apart: the timepoint, the session where there is one timepoint only."""
    for name in ("timepoint", "session"):
        if 1 < table[name].nunique() <= MOST_LEVELS:
            return table[name]
    return pd.Series("", index=table.index, dtype=object)


def _reference(usable: pd.DataFrame, asked: str) -> str:
    """Return the single condition that shares most blocks with paired ones; without pairs the most frequent one."""
    if asked and asked in set(usable["condition"]):
        return asked
    singles, pairs = usable[usable["stim_type"] == "single"], usable[usable["stim_type"] == "paired"]
    keys = ["participant", "block_key"]
    shared = singles.merge(pairs[keys].drop_duplicates(), on=keys) if len(pairs) else singles
    names = shared["condition"] if len(shared) else singles["condition"]
    return str(names.value_counts().index[0]) if len(names) else ""
