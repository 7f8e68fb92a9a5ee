"""Hotspot search: the coil moves over a grid until the best site is known as well as it can be without navigation."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from decussa.estimate import hotspot
from decussa.model.dialogue import Deliver, Found, Plan, Refused, Trial
from decussa.model.estimate import Estimate
from decussa.model.stimulus import Stimulus
from decussa.plan.frame import DeliverReply, Frame, deliver
from decussa.protocol.steps import Hotspot

#: Without any response after this many pulses the intensity is raised (3 to 5 pulses a step of 10 % MSO: a published ramp).
_NOTHING_AFTER = 5
_RAISE_MSO = 10.0
#: Pulses without a response that a search may cost beyond its budget: five at each of six levels.
_MOST_SILENT = 30
#: From this probability on that there is a response at all, a size counts as one.
_LIKELY = 0.5


def find_hotspot(frame: Frame, step: Hotspot, start_cm: tuple[float, float]) -> Plan:
    """Search the grid around ``start_cm``; finds ``hotspot_x`` and ``hotspot_y`` in cm from the vertex.

    Pulses before the first response raise the intensity step by step. Where an intensity is refused, the search goes on below
    it. A map belongs to one intensity: with another it begins anew, and with it the step's budget.
    """
    blank = state = hotspot.start(grid_cm=_grid(step, start_cm), start_cm=start_cm)
    ceiling = frame.limits.ceiling_mso
    intensity = min(step.intensity_mso, ceiling)
    site = start_cm
    given = silent = 0
    answered = False
    limited = ""
    while given < step.pulses + _MOST_SILENT:
        reply = yield from deliver(
            Deliver(
                stimulus=Stimulus.single(intensity),
                step=frame.step,
                condition=f"{site[0]:g}, {site[1]:g} cm",
                block=frame.step,
                muscle=frame.muscle.label,
                contraction_pct=step.contraction_pct,
                site_cm=site,
                why="The map is least sure here.",
            )
        )
        if isinstance(reply, Refused):
            limited = f"{intensity:g} % MSO was not given: {reply.reason}"
            if not 0 < reply.highest_mso < intensity:
                break
            ceiling = intensity = reply.highest_mso
            state, silent = blank, 0
            continue
        given += 1
        size = frame.value_of(reply, "amplitude_uv")
        if not math.isnan(size):
            state = hotspot.learn(state, site, size, noise_uv=_noise_uv(frame, reply))
            answered = answered or (size >= frame.criterion.size_uv and _is_there(frame, reply))
            silent += not answered
        if not answered and silent == _NOTHING_AFTER:
            if intensity >= ceiling:
                break
            intensity, silent, state = min(intensity + _RAISE_MSO, ceiling), 0, blank
        known = hotspot.summary(state)
        yield from frame.show({"hotspot_x": known.x, "hotspot_y": known.y}, curve=_map(state))
        if answered and hotspot.done(state, budget=step.pulses):
            break
        site = hotspot.suggest(state)
    return _found(state, answered=answered, given=given, limited=limited)


def _noise_uv(frame: Frame, reply: DeliverReply) -> float | None:
    """Return what noise alone would give, None where the trial does not say."""
    noise = frame.value_of(reply, "noise_uv")
    return noise if noise > 0 else None


def _is_there(frame: Frame, reply: DeliverReply) -> bool:
    """Whether noise alone is no likely reason for what came back; taken to be so where nobody can tell."""
    return isinstance(reply, Trial) and not reply.value(frame.muscle.label, "response_p") < _LIKELY


def _map(state: hotspot.HotspotState) -> dict[str, tuple[float, ...]]:
    """Return the map for drawing."""
    sites, size_uv, sd_ln = hotspot.expected_map(state)
    columns = {"x_cm": sites[:, 0], "y_cm": sites[:, 1], "size_uv": size_uv, "sd_ln": sd_ln}
    return {name: tuple(np.round(column, 2).tolist()) for name, column in columns.items()}


def _found(state: hotspot.HotspotState, *, answered: bool, given: int, limited: str) -> Found:
    known = hotspot.summary(state)
    if answered:
        return {"hotspot_x": known.x, "hotspot_y": known.y}
    reason = f"no response at any site in {given} pulses; the coil stays at its start"
    reason = "; ".join(filter(None, (reason, limited)))
    none = Estimate(n=given, method=known.x.method, reason=reason)
    return {"hotspot_x": none, "hotspot_y": none}


def _grid(step: Hotspot, start_cm: tuple[float, float]) -> NDArray[np.float64]:
    count = int(step.extent_cm / step.spacing_cm)
    line = np.arange(-count, count + 1) * step.spacing_cm
    square = np.stack(np.meshgrid(line, line, indexing="ij"), axis=-1).reshape(-1, 2)
    grid: NDArray[np.float64] = square + np.array(start_cm)
    return grid
