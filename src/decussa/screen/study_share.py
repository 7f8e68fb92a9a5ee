"""The study page's form for an export, and what it does: the same choices as the command has."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from decussa.screen.language import phrase
from decussa.screen.marks import text
from decussa.screen.study_forms import form_plate, submit
from decussa.screen.words import without_paths

if TYPE_CHECKING:
    from decussa.screen.study_page import StudyPage


def share_form(progress: str, problem: str) -> str:
    """Return the form; ``progress`` says how far an export is, or where it lies."""
    said = phrase(
        "By pseudonym, without screening answers, names of operators, and who withdrew. Whether it may be shared is for your "
        "approval and the consent to say. Free text is shared as it was typed."
    )
    forms = {
        "bids": phrase("BIDS data set, with tables"),
        "hdf5": phrase("HDF5, one file"),
        "nwb": phrase("NWB, a file for each session"),
        "csv": phrase("CSV for spreadsheets"),
        "parquet": phrase("Parquet tables"),
    }
    ways = {
        "shifted": phrase("Move dates to a year long past"),
        "draft": phrase("Describe the stimulation by a draft of the standard, too (BIDS)"),
        "comma": phrase("Decimal comma (CSV)"),
    }
    inner = (
        f'<p class="under">{text(said)}</p><form data-act="share">'
        f"{_group(phrase('Forms'), forms, first='bids')}{_group(phrase('How'), ways)}"
        f"{submit(phrase('Export'))}</form>{progress}"
    )
    return form_plate(phrase("Export"), inner, problem)


def _group(title: str, choices: Mapping[str, str], *, first: str = "") -> str:
    inner = "".join(
        f'<label class="pick"><input type="checkbox" name="{name}" value="yes"'
        f"{' checked data-focus' if name == first else ''}> {text(words)}</label>"
        for name, words in choices.items()
    )
    return f"<fieldset><legend>{text(title)}</legend>{inner}</fieldset>"


async def share(page: StudyPage, fields: Mapping[str, str]) -> None:
    """Export in the background, saying what is being done."""
    # What writes other formats takes long to load; a page that shows a study does not need it.
    from decussa.compose.exporting import FORMS, export_beside

    doing = [phrase("Checking")]
    forms = [form for form in FORMS if fields.get(form) == "yes"]
    said = {way: fields.get(way) == "yes" for way in ("shifted", "draft", "comma")}

    def tell(words: str) -> None:
        doing[0] = without_paths(words)

    def export() -> str:
        place, shared = export_beside(page.desk.root, page.board.folder, forms, say=tell, **said)
        return _done(place.name, shared.sessions, shared.notes)

    await page.carry_out(export, lambda: f'<p class="calm">{text(doing[0])}</p>')


def _done(name: str, sessions: int, notes: tuple[str, ...]) -> str:
    words = phrase("Sessions written: {count}, in {place}.", count=sessions, place=f"shared/{name}")
    lines = "".join(f"<li>{text(note)}</li>" for note in notes)
    return f'<p class="calm">{text(words)}</p><ul class="under">{lines}</ul>'
