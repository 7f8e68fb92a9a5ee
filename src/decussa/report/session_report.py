"""The session report: one session as a few printable pages, PDF/A-2b, the same bytes for the same input."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from importlib import resources
from pathlib import Path
from typing import Any

import pandas as pd
import typst

from decussa.model.recording import Recording
from decussa.recording.whole_file import whole_file
from decussa.report import facts, numbers, sentences, words
from decussa.report.block import Block
from decussa.report.checklist import Topic, checklist, score
from decussa.report.content import Content, gather
from decussa.report.debriefing import debrief_texts
from decussa.report.figures import blocks_of
from decussa.report.method_record import MethodRecord, record_of
from decussa.report.methods import checklist_facts, methods_paragraph, methods_text
from decussa.report.results import Remarks, not_estimated, results_of
from decussa.report.tables import COLUMNS, condition_rows, count_row, method_lines, sweep_rows
from decussa.session.debrief import Debrief

_TEMPLATE = "session_report.typ"
#: PDF/A asks for a date; where no recording has one it is this, so that the bytes stay the same.
_TIMESTAMP = 0
#: Pages on a screen are drawn twice as fine as they are shown.
_SCREEN_PPI = 192.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reported:
    """What a report of one session is made from.

    Parameters
    ----------
    recordings : sequence of Recording
        Those the trials were measured in; sweeps are drawn from them. Without them there are no sweeps in the report.
    trials, summary : DataFrame
        As ``measure`` and ``summarise`` return them, of one participant and session.
    debrief : Debrief, optional
        What the truth says of a rehearsal: it becomes the first page, and every page is marked as a rehearsal's.
    record : MethodRecord, optional
        What else is known of how the session was measured; what the recordings say themselves where omitted.
    """

    recordings: Sequence[Recording]
    trials: pd.DataFrame
    summary: pd.DataFrame
    debrief: Debrief | None = None
    record: MethodRecord | None = None

    @property
    def methods(self) -> MethodRecord:
        """How the session was measured, as far as it is known."""
        return self.record or record_of(self.recordings)


def write_session_report(path: str | Path, reported: Reported) -> Path:
    """Write the report of one session as PDF/A-2b and return its path.

    Parameters
    ----------
    path : str or Path
        The PDF; written whole or not at all.
    reported : Reported
        The session.

    Returns
    -------
    Path of the report. Two reports of the same input are the same bytes.

    Raises
    ------
    RecordingError
        If the trial table cannot be read as one.
    MachineError
        If the file cannot be written.
    """
    with _laid_out(reported) as page, whole_file(path) as partial:
        typst.compile(
            str(page),
            output=str(partial),
            format="pdf",
            root=str(page.parent),
            ignore_system_fonts=True,
            pdf_standards=["a-2b"],
            timestamp=_TIMESTAMP,
        )
    return Path(path)


def session_pages(reported: Reported) -> tuple[bytes, ...]:
    """Return the pages of the report of one session as pictures (PNG), for a screen.

    Raises
    ------
    RecordingError
        If the trial table cannot be read as one.
    """
    with _laid_out(reported) as page:
        made = typst.compile(str(page), format="png", root=str(page.parent), ignore_system_fonts=True, ppi=_SCREEN_PPI)
    return tuple(made) if isinstance(made, list) else (made,)


def session_methods(reported: Reported) -> tuple[str, tuple[Topic, ...]]:
    """Return how a session was measured as text to paste, and the reporting checklist in it.

    The text holds a paragraph, the method of each value, and the checklist.

    Raises
    ------
    RecordingError
        If the trial table cannot be read as one.
    """
    content = gather(reported.recordings, reported.trials, reported.summary)
    title = _head(content, reported.recordings)["plain_title"]
    topics = checklist(content, reported.methods)
    return methods_text(content, reported.recordings, reported.methods, title), topics


@contextmanager
def _laid_out(reported: Reported) -> Iterator[Path]:
    """Give the page, ready to be set, in a folder that lasts as long."""
    with tempfile.TemporaryDirectory() as folder:
        yield _lay_out(Path(folder), reported)


def _lay_out(folder: Path, reported: Reported) -> Path:
    """Put the page, its texts and its figures into ``folder``; return the page."""
    content, recordings = gather(reported.recordings, reported.trials, reported.summary), reported.recordings
    page = resources.files("decussa.report").joinpath(_TEMPLATE).read_text(encoding="utf-8")
    (folder / _TEMPLATE).write_text(page, encoding="utf-8")
    texts = {**_head(content, recordings), **_findings(content), **_background(content, recordings, reported.methods)}
    texts["debrief"] = None if reported.debrief is None else debrief_texts(reported.debrief)
    texts["muscles"] = [
        {
            "name": words.muscle_name(key),
            "under": _of_sides(key, [place.name for place in sides]),
            "blocks": [
                _saved(block, folder, f"figure-{muscle}-{number}")
                for number, block in enumerate(blocks_of(sides, content.recordings))
            ],
        }
        for muscle, (key, sides) in enumerate(content.by_muscle.items())
    ]
    (folder / "report.json").write_text(json.dumps(texts, ensure_ascii=False), encoding="utf-8")
    return folder / _TEMPLATE


def _of_sides(key: str, names: list[str]) -> str:
    sides = [name.removeprefix(key).strip(", ") for name in names]
    return " ".join([key, numbers.listed([side for side in sides if side])]).strip()


def _saved(block: Block, folder: Path, stem: str) -> dict[str, Any]:
    files = []
    for number, drawing in enumerate(block.drawings):
        name = f"{stem}-{number}.svg"
        (folder / name).write_text(drawing.svg, encoding="utf-8")
        files.append({"file": name, "alt": drawing.alt, "caption": words.in_print(drawing.caption)})
    return {"name": block.name, "under": block.under, "sentence": block.sentence, "drawings": files}


def _head(content: Content, recordings: Sequence[Recording]) -> dict[str, Any]:
    participant, session = (_first(content.trials, name) for name in ("participant", "session"))
    title = ", ".join(part for part in (participant, f"session {session}" if session else "") if part)
    if not participant:
        title = _first(content.trials, "recording") or "Session"
    start = min((start for recording in recordings if (start := facts.start_of(recording))), default=None)
    muscles = "; ".join(_of_sides(key, [p.name for p in sides]) for key, sides in content.by_muscle.items())
    return {
        "title": words.breakable(words.shortened(title, 120)),
        "plain_title": words.shortened(title, 120),
        "subtitle": words.breakable(words.shortened(muscles, 200)),
        "day": facts.day_and_time(recordings),
        "date": [start.year, start.month, start.day] if start else None,
        "person": facts.person_facts(recordings),
    }


def _first(table: pd.DataFrame, name: str) -> str:
    values = [str(value) for value in table[name].unique() if value]
    return ", ".join(values[:3])


def _findings(content: Content) -> dict[str, Any]:
    remarks = Remarks()
    groups = [
        {"name": place.name, "rows": [asdict(line) for line in results_of(place, remarks)]} for place in content.places
    ]
    return {
        "brief": [{"name": name, "text": text} for name, text in sentences.brief(content)],
        "results": [group for group in groups if group["rows"]],
        "remarks": remarks.texts,
        "missing": not_estimated(content.places),
        "warnings": sentences.warnings(content),
    }


def _background(content: Content, recordings: Sequence[Recording], record: MethodRecord) -> dict[str, Any]:
    topics = checklist(content, record)
    conditions = []
    for place in content.places:
        rows, more = condition_rows(place)
        conditions.append({"name": place.name, "rows": [asdict(row) for row in rows], "more": more})
    return {
        "columns": [heading for _, _, heading in COLUMNS],
        "conditions": conditions,
        "counts": [count_row(place) for place in content.places],
        "recordings": facts.recording_rows(recordings, content.trials),
        "setup": [asdict(fact) for fact in facts.setup_facts(recordings)],
        "meanings": [asdict(fact) for fact in facts.condition_facts(recordings)],
        "about": list(words.ABOUT_THE_REPORT),
        "before": list(words.BEFORE_THE_NEXT_PULSE),
        "sweeps": [
            {"name": place.name, "rows": [asdict(fact) for fact in sweep_rows(place)]} for place in content.places
        ],
        "paragraph": methods_paragraph(content, recordings, record),
        "checklist": [asdict(fact) for fact in checklist_facts(topics)],
        "score": score(topics),
        "methods": [asdict(fact) for fact in [*method_lines(content.places), facts.versions()]],
    }
