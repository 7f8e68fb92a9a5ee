"""What a run tells an invented amplifier: what the operator set. A real sender never hears of it.

Only a sender that declares itself invented names a stream on which it listens; without that name nothing is sent.
"""

from __future__ import annotations

import json
import math
import time
from typing import Any

from decussa.model.dialogue import Deliver
from decussa.model.stimulus import Stimulus
from decussa.source.stream.library import library

CONTROL_TYPE = "Decussa control"
_SAY_AGAIN_S = 1.0


def to_text(request: Deliver, number: int) -> str:
    """Write down what is to be given, as text."""
    stimulus = request.stimulus
    values = {
        name: None if math.isnan(value) else value
        for name, value in (
            ("intensity_mso", stimulus.intensity_mso),
            ("cond_intensity_mso", stimulus.cond_intensity_mso),
            ("isi_ms", stimulus.isi_ms),
            ("current_ma", stimulus.current_ma),
        )
    }
    return json.dumps(
        {
            "number": number,
            "stim_type": stimulus.stim_type,
            **values,
            "contraction_pct": request.contraction_pct,
            "site_cm": request.site_cm,
        }
    )


def hold_to_text(pct: float) -> str:
    """Write down what is to be held from now on, in % MVC, as text."""
    return json.dumps({"hold_pct": pct})


def from_text(text: str) -> tuple[Deliver, int] | float:
    """Read what ``to_text`` wrote, or the % MVC of ``hold_to_text``; KeyError, TypeError or ValueError where it is neither."""
    read: dict[str, Any] = json.loads(text)
    if "hold_pct" in read:
        return float(read["hold_pct"])
    strengths = {
        name: math.nan if read[name] is None else float(read[name])
        for name in ("intensity_mso", "cond_intensity_mso", "isi_ms", "current_ma")
    }
    site = read["site_cm"]
    request = Deliver(
        stimulus=Stimulus(stim_type=read["stim_type"], **strengths),
        step="stream",
        contraction_pct=float(read["contraction_pct"]),
        site_cm=None if site is None else (float(site[0]), float(site[1])),
    )
    return request, int(read["number"])


class Control:
    """The stream on which an invented amplifier hears what was set.

    Parameters
    ----------
    name : str
        The name that the amplifier gave.
    """

    def __init__(self, name: str) -> None:
        pylsl = library()
        info = pylsl.StreamInfo(name, CONTROL_TYPE, 1, pylsl.IRREGULAR_RATE, pylsl.cf_string, f"{name} hand")
        self._outlet = pylsl.StreamOutlet(info)
        self._held_pct, self._said_at = 0.0, -math.inf

    def is_heard(self, seconds: float) -> bool:
        """Wait until the amplifier listens; False where it does not within so many seconds."""
        return bool(self._outlet.wait_for_consumers(seconds))

    def hold(self, pct: float) -> None:
        """Say what the person is asked to hold from now on, in % MVC; said again while it stays: a late listener hears it too."""
        if pct != self._held_pct or time.monotonic() - self._said_at > _SAY_AGAIN_S:
            self._held_pct, self._said_at = pct, time.monotonic()
            self._outlet.push_sample([hold_to_text(pct)])

    def set(self, request: Deliver, number: int) -> None:
        """Say what the operator set."""
        self._outlet.push_sample([to_text(request, number)])
