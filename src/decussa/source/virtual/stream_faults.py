"""What can go wrong on the way from an invented amplifier: asked for by name, so that a lab can see how it is met."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from decussa.model.errors import UsageError
from decussa.source.virtual.mishap import MISHAPS, NOTHING_WRONG, Mishap

#: What is wrong all the time.
LASTING: dict[str, str] = {
    "lost samples": "one packet in a hundred never arrives",
    "drift": "the sender's clock runs 50 millionths too fast",
    "shaking clock": "every packet is stamped up to 2 ms early or late",
    "wrong rate": "1 % fewer samples come than are announced",
    "millivolt": "EMG is sent in mV",
    "no unit": "the description says no unit",
    "twin": "a second sender has the same name and type",
    "no trigger channel": "pulses are told by markers alone",
}
#: What goes wrong at one stimulus, beside the mishaps that every virtual participant knows.
AT_ONE: dict[str, str] = {
    "double pulse": "a single pulse is given twice, 5 ms apart",
    "stray pulse": "a pulse that nobody asked for follows 0.55 s after the stimulus",
    "no pulse": "the operator does not press",
    "stall": "nothing is sent for 2 s in the middle of the sweep, then all of it",
    "restart": "the sender begins anew in the middle of the sweep",
    "clock set": "the sender's clock is set 100 ms ahead",
    "flat channel": "the first EMG channel does not move from here on",
}


@dataclass(frozen=True, slots=True)
class StreamFaults:
    """What goes wrong: all the time, and at stimuli by number."""

    lasting: frozenset[str] = frozenset()
    at: dict[int, str] = field(default_factory=dict)

    def mishap(self, number: int) -> Mishap:
        """Return what happens to the person and the recorder at a stimulus."""
        return MISHAPS.get(self.at.get(number, ""), NOTHING_WRONG)


NO_FAULTS = StreamFaults()


def read_faults(texts: Sequence[str]) -> StreamFaults:
    """Read faults as they are typed: a name for what lasts, ``name@number`` for what happens at one stimulus.

    Raises
    ------
    UsageError
        With all names, where one is not known.
    """
    lasting, at = set(), {}
    for text in texts:
        name, _, number = text.partition("@")
        name = name.strip()
        if not number and name in LASTING:
            lasting.add(name)
        elif number.strip().isdigit() and (name in AT_ONE or name in MISHAPS):
            at[int(number)] = name
        else:
            raise UsageError(
                "this fault is not known",
                where="--fault",
                expected=f"{', '.join(LASTING)}; or with @ and the number of a stimulus: {', '.join((*AT_ONE, *MISHAPS))}",
                found=repr(text),
            )
    return StreamFaults(frozenset(lasting), at)
