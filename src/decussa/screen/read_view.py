"""The review's window on a page: sends what it shows, hears what the rater says, answers when it is written."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from nicegui import run
from nicegui.element import Element

from decussa.compose.review_view import ReviewView, facts_of
from decussa.model.errors import DecussaError, MachineError, UsageError
from decussa.screen.language import phrase
from decussa.screen.reading import Reading
from decussa.screen.words import error_words
from decussa.session.review import Layer, Said

#: So many changes are written at one go; a window sends the others afterwards.
MOST_AT_ONCE = 40


class ReadView(Element, component="assets/read_view.js"):
    """One rater's window on one muscle."""

    def __init__(
        self, reading: Reading, rater: str, muscle: str, *, url: str, words: Mapping[str, Any], links: Mapping[str, Any]
    ) -> None:
        super().__init__()
        self.reading, self.rater, self.muscle = reading, rater, muscle
        self.view = reading.view(rater, muscle)
        self._places = {trace.entry: place for place, trace in enumerate(self.view.traces)}
        self._props.update(
            url=url,
            words=dict(words),
            links=dict(links),
            blind=self.view.blind,
            uid=self.id,
            store=f"decussa {reading.study} {reading.session} {muscle} {rater}",
        )
        self.on("say", self._hear_rater)
        self.classes("stretch")
        reading.windows.append(self._hear_room)
        self.client.on_delete(lambda: reading.windows.remove(self._hear_room))

    @property
    def _layer(self) -> Layer:
        return self.reading.room.layers[self.rater]

    async def _hear_rater(self, event: Any) -> None:
        """Write what the rater says, one by one, then answer with how the sweeps stand."""
        sent = event.args if isinstance(event.args, list) else []
        said = [one for one in sent[:MOST_AT_ONCE] if isinstance(one, dict)]
        answers = await run.io_bound(self._write_all, said) or []
        self.run_method("answered", [answer for answer, _ in answers])
        for changed in dict.fromkeys(entry for _, entry in answers if entry):
            self.reading.tell(self.rater, self.muscle, changed)

    def _write_all(self, said: Sequence[Mapping[str, Any]]) -> list[tuple[dict[str, Any], int]]:
        """Return for each an answer for the window, and the entry of the trial that was changed, 0 for none."""
        try:
            with self.reading.room.together():
                return [self._answer(one) for one in said]
        except MachineError as error:
            # What the machine could not write just now is sent again.
            return [({"ref": "", "problem": " ".join(error_words(error)), "kept": True, "fact": None}, 0)]

    def _answer(self, sent: Mapping[str, Any]) -> tuple[dict[str, Any], int]:
        ref = str(sent.get("ref", ""))[:80]
        entry, changed, problem = self._entry_of(sent), False, ""
        try:
            entry, changed = self._write(sent)
            problem = "" if entry else phrase("Nothing of yours is left to take back.")
        except MachineError:
            raise
        except DecussaError as error:
            problem = " ".join(error_words(error))
        answer = {"ref": ref, "problem": problem, "kept": False, "fact": self._facts(entry)}
        return answer, entry if changed else 0

    def _write(self, sent: Mapping[str, Any]) -> tuple[int, bool]:
        """Return the entry of the trial that was spoken of, 0 for none, and whether something was written."""
        room, what = self.reading.room, str(sent.get("what", ""))
        before = len(room.entries)
        if what == "undo":
            back = room.undo(self.rater, self.muscle)
            return (back.entry, True) if back else (0, False)
        place = self.view.place_of(str(sent.get("id", "")))
        if place < 0:
            raise UsageError("this sweep is not part of the review", do="load the page again")
        trace = self.view.traces[place]
        room.say(self.rater, trace, what, _value(sent.get("new")), reason=str(sent.get("reason") or ""))
        return trace.entry, len(room.entries) > before

    def _entry_of(self, sent: Mapping[str, Any]) -> int:
        place = self.view.place_of(str(sent.get("id", "")))
        return self.view.traces[place].entry if place >= 0 else 0

    def _hear_room(self, rater: str, muscle: str, entry: int) -> None:
        """Show what was said in another window: by the same rater at once, of another rater where it may be seen."""
        if muscle == self.muscle and (rater == self.rater or not self.view.blind):
            facts = self._facts(entry)
            if facts is not None:
                self.run_method("hear", facts)

    def _facts(self, entry: int) -> dict[str, Any] | None:
        place = self._places.get(entry)
        return None if place is None else window_facts(self.reading, self.view, self._layer, place)


def window_facts(reading: Reading, view: ReviewView, layer: Layer, place: int) -> dict[str, Any]:
    """Return what a window shows of one sweep; what other raters said of it only to who is not blind."""
    room, trace = reading.room, view.traces[place]
    facts = facts_of(view, place, room.shown(trace, layer), room.protocol)
    if not view.blind:
        others = [other for other in room.layers.values() if other.rater != layer.rater]
        seen = [other for other in others if (trace.entry, trace.muscle) in other.seen]
        facts["others"] = [f"{other.rater}: {room.shown(trace, other).verdict}" for other in seen]
    return facts


def _value(new: object) -> Said:
    """Return what a browser sent as a verdict or a time; nothing there is a mark that is not there."""
    if new is None:
        return math.nan
    if isinstance(new, int | float) and not isinstance(new, bool):
        return float(new)
    return str(new)[:40]
