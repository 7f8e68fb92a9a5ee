"""Hotspot search: the coil moves over a grid until the best site is known as well as it can be without navigation."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from decussa.estimate import hotspot
from decussa.model.dialogue import Deliver, Found, Plan, Refused, Trial
from decussa.model.estimate import Estimate
from decussa.model.stimulus import Stimulus
from decussa.plan.frame import Frame, deliver, usable
from decussa.protocol.steps import Hotspot

#: The search ends when this much of the belief lies within the repeatability of a hotspot.
_SURE = 0.9
#: Fewer pulses than this never settle a hotspot; without any response after this many the intensity is raised.
_FEWEST = 12
_NOTHING_AFTER = 8
_RAISE_MSO = 10.0


def find_hotspot(frame: Frame, step: Hotspot, start_cm: tuple[float, float]) -> Plan:
    """Search the grid around ``start_cm``; finds ``hotspot_x`` and ``hotspot_y`` in cm from the vertex."""
    state = hotspot.start(grid_cm=_grid(step, start_cm), start_cm=start_cm)
    ceiling = frame.limits.ceiling_mso
    intensity = min(step.intensity_mso, ceiling)
    site = start_cm
    answered = False
    limited = ""
    number = 0
    while number < step.pulses:
        request = Deliver(
            stimulus=Stimulus.single(intensity),
            step=frame.step,
            condition=f"{site[0]:g}, {site[1]:g} cm",
            block=frame.step,
            muscle=frame.muscle.label,
            contraction_pct=step.contraction_pct,
            site_cm=site,
            why="The map is least sure here.",
        )
        reply = yield from deliver(request)
        if isinstance(reply, Refused):
            limited = f"{intensity:g} % MSO was not given: {reply.reason}"
            if not 0 < reply.highest_mso < intensity:
                break
            ceiling = intensity = reply.highest_mso
            continue
        number += 1
        if isinstance(reply, Trial) and usable(reply):
            size = reply.value(frame.muscle.label, "amplitude_uv")
            if math.isfinite(size) and size >= 0:
                state = hotspot.learn(state, site, size)
                answered = answered or size >= frame.criterion.size_uv
        if not answered and number % _NOTHING_AFTER == 0:
            intensity = min(intensity + _RAISE_MSO, ceiling)
        known = hotspot.summary(state)
        yield from frame.show({"hotspot_x": known.x, "hotspot_y": known.y}, curve=_map(state))
        if number >= _FEWEST and answered and known.probability_nearby >= _SURE:
            break
        site = hotspot.suggest(state)
    return _found(state, answered=answered, limited=limited)


def _map(state: hotspot.HotspotState) -> dict[str, tuple[float, ...]]:
    """Return the map for drawing."""
    sites, size_uv, sd_ln = hotspot.expected_map(state)
    columns = {"x_cm": sites[:, 0], "y_cm": sites[:, 1], "size_uv": size_uv, "sd_ln": sd_ln}
    return {name: tuple(np.round(column, 2).tolist()) for name, column in columns.items()}


def _found(state: hotspot.HotspotState, *, answered: bool, limited: str) -> Found:
    known = hotspot.summary(state)
    if answered:
        return {"hotspot_x": known.x, "hotspot_y": known.y}
    reason = f"no response at any site in {known.x.n} pulses; the coil stays at its start"
    reason = "; ".join(filter(None, (reason, limited)))
    none = Estimate(n=known.x.n, method=known.x.method, reason=reason)
    return {"hotspot_x": none, "hotspot_y": none}


def _grid(step: Hotspot, start_cm: tuple[float, float]) -> NDArray[np.float64]:
    count = int(step.extent_cm / step.spacing_cm)
    line = np.arange(-count, count + 1) * step.spacing_cm
    square = np.stack(np.meshgrid(line, line, indexing="ij"), axis=-1).reshape(-1, 2)
    grid: NDArray[np.float64] = square + np.array(start_cm)
    return grid
