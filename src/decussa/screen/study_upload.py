"""Takes in recordings through the browser: limited in size before a byte is read, in name and in kind."""

from __future__ import annotations

from collections.abc import Callable

from fastapi import Request, Response
from nicegui import Client, app, run, ui
from nicegui.page import page
from starlette.datastructures import UploadFile
from starlette.exceptions import HTTPException

from decussa.compose.taking_in import LARGEST_BYTES, check_file_name, take_in
from decussa.model.errors import DecussaError, UsageError
from decussa.screen.desk import Desk
from decussa.screen.language import phrase
from decussa.screen.marks import say, text
from decussa.screen.places import STUDY
from decussa.screen.shell import page_frame
from decussa.screen.study_board import STUDY_OF, study_address
from decussa.screen.study_page import folder_of
from decussa.screen.words import error_words

#: What the form around the file may add to its size.
_FORM_BYTES = 16_384


def add_pages(desk: Desk) -> None:
    """Add the address that recordings are sent to."""

    @app.post(f"{STUDY_OF}/import")
    async def take(study: str, request: Request) -> Response:
        refused = _refuse_by_length(request.headers.get("content-length", ""))
        if refused is not None:
            return _answer(request, study, *refused)
        try:
            folder = folder_of(desk, study)
            async with request.form(max_files=1, max_fields=1, max_part_size=1024) as form:
                file, pseudonym = form.get("file"), form.get("pseudonym")
                if not isinstance(file, UploadFile) or not isinstance(pseudonym, str):
                    raise UsageError("form is not complete", expected="one participant and one file")
                name = check_file_name(file.filename or "")
                said = await run.io_bound(take_in, folder, pseudonym, name, file.file)
        except DecussaError as error:
            return _answer(request, study, 400, error)
        except HTTPException:
            return _answer(request, study, 400, UsageError("form cannot be read", do="choose the file again"))
        return _built(request, 200, lambda: _show_taken(study, said or ""))


def _refuse_by_length(length: str) -> tuple[int, DecussaError] | None:
    if not length.isdigit():
        return 411, UsageError("size of the file is not said", do="send it from the study page")
    if int(length) > LARGEST_BYTES + _FORM_BYTES:
        most = f"at most {LARGEST_BYTES >> 20} MB"
        return 413, UsageError("file is too large", expected=most, do="measure it where it lies, with decussa measure")
    return None


def _answer(request: Request, study: str, status: int, error: DecussaError) -> Response:
    return _built(request, status, lambda: _show_refused(study, error))


def _built(request: Request, status: int, show: Callable[[], None]) -> Response:
    with Client(page(""), request=request) as client:
        show()
    return client.build_response(request, status)


def _show_refused(study: str, error: DecussaError) -> None:
    head, more = error_words(error)
    _show(phrase("Not taken in"), say("halt", head, 24), more, study)


def _show_taken(study: str, said: str) -> None:
    _show(phrase("Taken in"), say("done", said, 24), phrase("It lies with the study, with its fingerprint."), study)


def _show(title: str, first: str, more: str, study: str) -> None:
    back = f'<p class="answers"><a class="btn go" href="{text(study_address(study))}">{phrase("Back to the study")}</a></p>'
    with page_frame(title, "Study", {"Study": STUDY}):
        ui.html(
            f'<div class="pad"><p class="lead">{first}</p><p class="why">{text(more)}</p>{back}</div>', sanitize=False
        )
