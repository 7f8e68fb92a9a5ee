"""Reviews a stored session: who says what of which sweep, written before it is shown; what raters see, and what is hidden."""

from __future__ import annotations

import math
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from functools import cached_property
from pathlib import Path
from typing import Literal

from decussa.compose.preparing import known_operators, who_acts
from decussa.compose.review_traces import Shown, Trace, measure_trace, traces_of
from decussa.model.errors import UsageError
from decussa.model.muscle import Window
from decussa.model.sweep import Sweep
from decussa.model.version import VERSION
from decussa.protocol.schema import read_protocol
from decussa.session.clock import to_text
from decussa.session.review import SEEN, VERDICT, Layer, Said, check_change, fold_review, last_to_undo, reason_of
from decussa.session.reviewed import reviewed_marks, reviewed_values
from decussa.store.chain import Entry
from decussa.store.journal import open_journal
from decussa.store.records import ReviewBegun, Reviewed, Unblinded
from decussa.store.study import open_study

_Write = Callable[[Literal["review begun", "reviewed", "unblinded"], ReviewBegun | Reviewed | Unblinded], None]
#: Longest code of a rater, and longest reason.
LONGEST_CODE, LONGEST_REASON = 20, 500


class ReviewRoom:
    """A session under review: what is stored of it, and the one way to add to its review.

    Any number of windows and raters share it; each change is on disk before it is part of what is shown.
    """

    def __init__(self, folder: Path, session: str) -> None:
        self.folder, self.session = folder, session
        self._one_at_a_time = threading.RLock()
        self._entries: tuple[Entry, ...] = ()
        self._write: _Write | None = None
        self._layers: dict[str, Layer] = {}
        self._sweeps: dict[int, Sweep] = {}
        with open_study(folder, write=False) as study:
            self.protocol = read_protocol(study.protocol_text, where=folder / "protocol.toml")
        self.look_again()

    @property
    def entries(self) -> tuple[Entry, ...]:
        """Every entry of the session that is known here."""
        return self._entries

    @property
    def layers(self) -> dict[str, Layer]:
        """The raters' layers, in the order in which they began."""
        return dict(self._layers)

    def look_again(self) -> None:
        """Read what was written since, here or by another program."""
        with self._one_at_a_time, open_study(self.folder, write=False) as study:
            with open_journal(study, self.session) as journal:
                new = journal.entries(after=self._entries[-1].number if self._entries else 0)
            self._learn(new)

    def _learn(self, new: Sequence[Entry]) -> None:
        if any(not isinstance(entry.body, ReviewBegun | Reviewed | Unblinded) for entry in new):
            self.__dict__.pop("traces", None)
        for entry in new:
            fold_review(self._layers, entry)
        self._entries += tuple(new)

    @cached_property
    def traces(self) -> tuple[Trace, ...]:
        """Every stimulus that was answered, on every muscle that was measured, in order."""
        return traces_of(self._entries, self.protocol)

    @property
    def muscles(self) -> tuple[str, ...]:
        """The muscles that have sweeps to review, in order of appearance."""
        return tuple(dict.fromkeys(trace.muscle for trace in self.traces if trace.has_sweep))

    def of_muscle(self, muscle: str) -> tuple[Trace, ...]:
        """Return the traces of a muscle that have a sweep."""
        return tuple(trace for trace in self.traces if trace.muscle == muscle and trace.has_sweep)

    def sweeps(self, traces: Sequence[Trace]) -> list[Sweep]:
        """Return the raw sweeps of traces; read once and kept, for they never change."""
        with self._one_at_a_time:
            missing = [trace.entry for trace in traces if trace.entry not in self._sweeps]
            if missing:
                with open_study(self.folder, write=False) as study, open_journal(study, self.session) as journal:
                    self._sweeps |= {entry: journal.sweep(entry) for entry in missing}
            return [self._sweeps[trace.entry] for trace in traces]

    def shown(self, trace: Trace, layer: Layer | None) -> Shown:
        """Return a trace as a layer has it; None: as it was measured and judged."""
        key = (trace.entry, trace.muscle)
        changes: Mapping[str, Said] = layer.changes.get(key, {}) if layer is not None else {}
        values = reviewed_values(trace.measured, trace.window_ms, changes, lambda window: self._measure(trace, window))
        own = changes.get(VERDICT)
        return Shown(
            trace=trace,
            verdict=str(own) if own is not None else trace.verdict.kind,
            reason=reason_of(layer, key) if own is not None and layer is not None else trace.verdict.reason,
            measured=values,
            marks=reviewed_marks(values, trace.window_ms, changes),
            proposed=reviewed_marks(trace.measured, trace.window_ms, {}),
            seen=layer is not None and key in layer.seen,
            changed=tuple(changes),
        )

    def _measure(self, trace: Trace, window: Window) -> dict[str, float]:
        (sweep,) = self.sweeps([trace])
        return measure_trace(trace, sweep, window)

    def begin(self, rater: str, *, blind: bool, pin: str = "") -> Layer:
        """Begin a layer, or go on with one that was begun; it stays blind, or not, as it was begun.

        Who is known here under this code proves it with their PIN, where they have one.

        Raises
        ------
        UsageError
            If the rater has no usable code, the PIN is wrong, or they ask to be blind where they were not.
        """
        check_rater(rater)
        known = any(one.code == rater for one in known_operators(self.folder))
        verified = known and who_acts(self.folder, rater, pin).verified
        with self._writing() as write:
            layer = self.layers.get(rater)
            if layer is not None:
                if layer.verified and not verified:
                    raise UsageError(
                        "who began this review proved it with a PIN",
                        where=f"rater {rater}",
                        do="type the PIN, or review under another code",
                    )
                if blind and not layer.blind:
                    raise UsageError(
                        "this review is not blind any more",
                        where=f"rater {rater}",
                        do="go on unblinded, or review under another code",
                    )
                return layer
            number = len(self.layers) + 1
            seed = (len(self._entries) * 1000 + number) % 2**31
            begun = ReviewBegun(rater=rater, number=number, blind=blind, seed=seed, version=VERSION, verified=verified)
            write("review begun", begun)
            return self.layers[rater]

    def unblind(self, rater: str, reason: str) -> Layer:
        """Write that a rater looks at what was hidden; what they say from then on counts as not blind."""
        with self._writing() as write:
            layer = self._layer(rater)
            if layer.blind:
                write("unblinded", Unblinded(rater=rater, number=layer.number, reason=reason[:LONGEST_REASON]))
            return self._layer(rater)

    def say(self, rater: str, trace: Trace, what: str, new: Said, *, reason: str = "") -> Layer:
        """Write what a rater says of a trace; saying again what holds already writes nothing.

        Raises
        ------
        UsageError
            If it is no verdict and no time of a mark, or the window's ends would change places.
        """
        check_change(what, new)
        new = new if isinstance(new, str) else float(new)
        with self._writing() as write:
            layer = self._layer(rater)
            shown = self.shown(trace, layer)
            key = (trace.entry, trace.muscle)
            old: Said = "" if what == SEEN else shown.verdict if what == VERDICT else shown.marks[what]
            explained = what == VERDICT and reason not in ("", shown.reason)
            if key in layer.seen and _alike(old, new) and not explained:
                return layer
            if what in ("window_start_ms", "window_end_ms"):
                _check_window(shown, what, new)
            if what != SEEN and _alike(old, new) and not explained:
                what, old, new = SEEN, "", ""
            change = Reviewed(
                entry=trace.entry,
                muscle=trace.muscle,
                what=what,
                old=old,
                new=new,
                rater=rater,
                number=layer.number,
                blind=layer.blind,
                reason=reason[:LONGEST_REASON],
            )
            write("reviewed", change)
            return self._layer(rater)

    def undo(self, rater: str, muscle: str) -> Reviewed | None:
        """Take back a rater's newest change on a muscle by an entry of its own; None where there is nothing to take back."""
        with self._writing() as write:
            layer = self._layer(rater)
            last = last_to_undo(layer, muscle)
            if last is None:
                return None
            number, change = last
            back = Reviewed(
                entry=change.entry,
                muscle=change.muscle,
                what=change.what,
                old=change.new,
                new=change.old,
                rater=rater,
                number=layer.number,
                blind=layer.blind,
                reason="undone",
                undoes=number,
            )
            write("reviewed", back)
            return back

    def _layer(self, rater: str) -> Layer:
        if rater not in self.layers:
            raise UsageError("nobody began a review under this code", found=repr(rater), do="begin one first")
        return self.layers[rater]

    @contextmanager
    def together(self) -> Iterator[None]:
        """Open the session once for all that is said inside; each is on disk, one by one, when it returns."""
        with self._writing():
            yield

    @contextmanager
    def _writing(self) -> Iterator[_Write]:
        """Hold the session for writing: what was written by others is known before anything is added."""
        with self._one_at_a_time:
            if self._write is not None:
                yield self._write
                return
            with open_study(self.folder, write=True) as study, open_journal(study, self.session) as journal:
                self._learn(journal.entries(after=self._entries[-1].number if self._entries else 0))
                self._write = lambda kind, body: self._learn(
                    [journal.append(kind, body, at=to_text(datetime.now(UTC)))]
                )
                try:
                    yield self._write
                finally:
                    self._write = None


def check_rater(rater: str) -> None:
    """Refuse a code that says nothing, or more than a code should.

    Raises
    ------
    UsageError
        With what a code looks like.
    """
    if (
        not rater.strip()
        or len(rater) > LONGEST_CODE
        or not rater.isprintable()
        or "@" in rater
        or rater != rater.strip()
    ):
        raise UsageError(
            "code of the rater cannot be used",
            expected=f"a short code such as R-2, at most {LONGEST_CODE} characters; never a name",
            found=repr(rater[:40]),
        )


def _check_window(shown: Shown, what: str, new: Said) -> None:
    start = float(new) if what == "window_start_ms" else shown.marks["window_start_ms"]
    end = float(new) if what == "window_end_ms" else shown.marks["window_end_ms"]
    if not start + 1 <= end:
        raise UsageError(
            "window is empty", expected="an end 1 ms or more after the start", found=f"{start:g} to {end:g} ms"
        )


def _alike(old: Said, new: Said) -> bool:
    if isinstance(old, float) and isinstance(new, float):
        return (math.isnan(old) and math.isnan(new)) or math.isclose(old, new, rel_tol=0.0, abs_tol=1e-6)
    return old == new
