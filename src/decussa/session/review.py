"""Reviews of a session: each rater's own layer of verdicts and marks over the automatic ones, a fold over the entries.

Nothing here changes what was measured: a layer says what a rater put in its place, and every change names the value it
replaced. Where nobody said anything, the automatic value holds.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

from decussa.model.errors import UsageError
from decussa.model.trial import VERDICTS
from decussa.store.chain import Entry
from decussa.store.records import ReviewBegun, Reviewed, Unblinded

#: Marks a rater may move, all in ms from the test pulse.
MARKS = ("onset_ms", "end_ms", "silent_end_ms", "window_start_ms", "window_end_ms")
SEEN = "seen"
VERDICT = "verdict"
#: A trial on one muscle: number of the answer's entry, and label of the channel.
Trace = tuple[int, str]
Said = str | float
#: Furthest a mark may lie from the pulse, before and after (longer than any sweep that is cut).
FURTHEST_MS = 2000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Layer:
    """What one rater said of a session.

    ``blind`` is whether conditions are hidden now, ``began_blind`` whether they were at first, ``verified`` whether the rater
    proved who they are. ``changes`` hold by trace what
    differs from the automatic values, ``blindly`` the traces of which everything said was said blind; ``written`` are all
    changes with the number of their entry and their time, in order.
    """

    rater: str
    number: int
    blind: bool
    began_blind: bool
    verified: bool
    seed: int
    began: str
    changes: Mapping[Trace, Mapping[str, Said]] = field(default_factory=dict)
    seen: frozenset[Trace] = frozenset()
    not_blind: frozenset[Trace] = frozenset()
    written: tuple[tuple[int, str, Reviewed], ...] = ()

    def said(self, trace: Trace, what: str) -> Said | None:
        """Return what the rater put in place of an automatic value, None where they left it."""
        return self.changes.get(trace, {}).get(what)

    @property
    def moved(self) -> int:
        """How many traces have a verdict or mark of the rater's own."""
        return len(self.changes)


def layers_of(entries: Iterable[Entry]) -> dict[str, Layer]:
    """Return the layers of a journal by rater, in the order in which they began."""
    layers: dict[str, Layer] = {}
    for entry in entries:
        fold_review(layers, entry)
    return layers


def fold_review(layers: dict[str, Layer], entry: Entry) -> None:
    """Take one more entry into the layers by rater."""
    body = entry.body
    if isinstance(body, ReviewBegun) and body.rater not in layers:
        layers[body.rater] = Layer(
            rater=body.rater,
            number=body.number,
            blind=body.blind,
            began_blind=body.blind,
            verified=body.verified,
            seed=body.seed,
            began=entry.at,
        )
    elif isinstance(body, Unblinded) and body.rater in layers:
        layers[body.rater] = replace(layers[body.rater], blind=False)
    elif isinstance(body, Reviewed) and body.rater in layers:
        layers[body.rater] = _with_change(layers[body.rater], entry, body)


def _with_change(layer: Layer, entry: Entry, change: Reviewed) -> Layer:
    trace = (change.entry, change.muscle)
    layer = replace(
        layer,
        written=(*layer.written, (entry.number, entry.at, change)),
        seen=layer.seen | {trace},
        not_blind=layer.not_blind if change.blind else layer.not_blind | {trace},
    )
    if change.what == SEEN:
        return layer
    own = {**layer.changes.get(trace, {}), change.what: change.new}
    # Back at the automatic value, by undoing or otherwise: the trace is as if nobody had moved it. A verdict that was only
    # given a reason is the rater's own.
    back = _first_old(layer, trace, change.what) == _comparable(change.new)
    if back and (change.undoes or not change.reason):
        del own[change.what]
    changes = {**layer.changes, trace: own}
    if not own:
        del changes[trace]
    return replace(layer, changes=changes)


def _first_old(layer: Layer, trace: Trace, what: str) -> Said:
    """Return the automatic value, as the rater's first change of it names it."""
    return next(
        _comparable(change.old)
        for _, _, change in layer.written
        if (change.entry, change.muscle) == trace and change.what == what
    )


def _comparable(value: Said) -> Said:
    """Return a value that equals itself: NaN, which does not, becomes a text."""
    return "nan" if isinstance(value, float) and math.isnan(value) else value


def last_to_undo(layer: Layer, muscle: str) -> tuple[int, Reviewed] | None:
    """Return the rater's newest change on a muscle that is not taken back yet, with its entry; None where there is none."""
    undone = {change.undoes for _, _, change in layer.written}
    for number, _, change in reversed(layer.written):
        if change.muscle == muscle and change.what != SEEN and not change.undoes and number not in undone:
            return number, change
    return None


def reason_of(layer: Layer, trace: Trace) -> str:
    """Return what the rater gave as the reason of the verdict that holds."""
    undone = {change.undoes for _, _, change in layer.written}
    for number, _, change in reversed(layer.written):
        of_this = (change.entry, change.muscle) == trace and change.what == VERDICT
        if of_this and not change.undoes and number not in undone:
            return change.reason
    return ""


def check_change(what: str, new: Said) -> None:
    """Refuse what cannot be a verdict or the time of a mark.

    Raises
    ------
    UsageError
        With what may be said instead.
    """
    if what == SEEN and new == "":
        return
    if what == VERDICT and new in VERDICTS:
        return
    if what in MARKS and not isinstance(new, str | bool) and (math.isnan(new) or abs(new) <= FURTHEST_MS):
        return
    raise UsageError(
        "change of a review cannot be kept",
        expected=f"{VERDICT} ({', '.join(VERDICTS)}), or a time in ms for {', '.join(MARKS)}",
        found=f"{what}: {new!r}",
    )
