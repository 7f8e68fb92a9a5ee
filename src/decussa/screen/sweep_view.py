"""The sweep on its canvas, with a text equivalent."""

from __future__ import annotations

import base64
import math
from typing import Any

import numpy as np
from nicegui.element import Element

from decussa.compose.looking import SweepShown
from decussa.screen.language import phrase
from decussa.screen.words import ms, uv

_MARKS = (
    "artifact_start_ms", "artifact_end_ms", "noise_uv", "amplitude_uv", "latency_ms", "latency_low_ms", "latency_high_ms",
    "silent_end_ms", "silent_low_ms", "silent_high_ms",
)  # fmt: skip


class SweepView(Element, component="assets/sweep_view.js"):
    """A canvas that draws one sweep with its marks."""

    def __init__(self) -> None:
        super().__init__()
        self._props.update(sweep=None, label=_label(None))
        self._shown: SweepShown | None = None

    def show(self, sweep: SweepShown | None, *, for_silence: bool = False) -> None:
        """Draw ``sweep``, or nothing; ``for_silence`` on the scale of the background, which the response leaves."""
        if sweep is self._shown:
            return
        self._shown = sweep
        self._props.update(sweep=_packed(sweep, for_silence=for_silence) if sweep else None, label=_label(sweep))
        self.update()


def _packed(sweep: SweepShown, *, for_silence: bool) -> dict[str, Any]:
    samples = np.asarray(sweep.samples_uv, dtype="<f4")
    return {
        "samples": base64.b64encode(samples.tobytes()).decode("ascii"),
        "start": sweep.start_ms,
        "step": sweep.step_ms,
        "window": list(sweep.window_ms),
        "marks": {name: sweep.marks[name] for name in _MARKS if math.isfinite(sweep.marks.get(name, math.nan))},
        "size": uv(sweep.marks.get("amplitude_uv", math.nan)),
        "near": for_silence,
        "cut": phrase("not whole"),
    }


def _label(sweep: SweepShown | None) -> str:
    if sweep is None:
        return phrase("No sweep yet")
    onset = sweep.marks.get("latency_ms", math.nan)
    said = phrase("no onset found") if math.isnan(onset) else phrase("onset {time}", time=ms(onset))
    size = uv(sweep.marks.get("amplitude_uv", math.nan))
    return phrase("Sweep: {size} peak to peak, {onset}", size=size, onset=said)
