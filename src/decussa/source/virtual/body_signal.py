"""A virtual person's EMG without end: rest, contractions, and the sweep of every stimulus in its place. Pure, no clock."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from decussa.model.dialogue import Deliver
from decussa.model.stimulus import Stimulus
from decussa.model.sweep import SamplesUv
from decussa.source.virtual.held import draw_held
from decussa.source.virtual.mishap import NOTHING_WRONG, Mishap
from decussa.source.virtual.person import VirtualParticipant
from decussa.source.virtual.pool import Potentials, draw_potentials
from decussa.source.virtual.recorder import RATE_HZ, RATE_KHZ, convert, draw_beats, draw_heart, draw_noise
from decussa.source.virtual.response import given_pulses
from decussa.source.virtual.session import HOLD_AFTER_MS, HOLD_BEFORE_MS, TRIGGER_MS, TRIGGER_UV

#: Rest is drawn once for so long and then comes again.
_REST_S = 20
#: A second pulse that nobody wanted comes this long before the one that was asked for.
DOUBLE_MS = 5.0
#: The counter starts anew here: all its values are exact in the samples' type.
COUNTER = 2**20
#: How far a held torque wanders, in % MVC (common practice, no source).
_WANDER_PCT = 0.3
#: A contraction that is held between stimuli is drawn in pieces of so many samples.
_PIECE = round(0.5 * RATE_HZ)
#: Chance for what is not part of a stimulus: beyond every number a stimulus has.
_REST_NUMBER = 10**9


class BodySignal:
    """Samples of a person's channels, then trigger, torque in % MVC and a counter, for as long as somebody takes them.

    Parameters
    ----------
    person : VirtualParticipant
        Whose EMG it is. What a stimulus brings depends on the person and its number alone.
    """

    def __init__(self, person: VirtualParticipant) -> None:
        self.person = person
        self.position = 0
        self.emg = len(person.channels)
        self._rest = self._draw_rest()
        self._parts: list[tuple[int, SamplesUv]] = []
        self._edges: list[int] = []
        self._torque: list[tuple[int, int, float]] = []
        self._held_pct = 0.0
        self._piece: tuple[int, NDArray[np.float64]] = (-1, np.empty((self.emg, 0)))
        self._chance = person.rng(_REST_NUMBER, 60)

    def _draw_rest(self) -> SamplesUv:
        count = _REST_S * round(RATE_HZ)
        beats = draw_beats(self.person.state.heart_per_min, 0.0, 1e3 * _REST_S, self.person.rng(_REST_NUMBER, 50))
        rows = []
        for row, electrodes in enumerate(self.person.electrodes):
            trace = draw_noise(electrodes, count, self.person.rng(_REST_NUMBER, 51 + row)).astype(np.float64)
            rows.append(convert(trace + draw_heart(electrodes, beats, 0.0, count), electrodes.rail_uv))
        return np.stack(rows)

    def give(
        self, request: Deliver, number: int, test: int, mishap: Mishap = NOTHING_WRONG, *, double: bool = False
    ) -> tuple[int, ...]:
        """Put stimulus ``number`` where its test pulse falls on sample ``test``; return the samples of its pulses.

        The sweep is, sample by sample, what ``VirtualParticipant.deliver`` returns. With ``double`` a single pulse comes twice.
        """
        stimulus = request.stimulus
        if double and stimulus.stim_type == "single":
            stimulus = Stimulus.paired(stimulus.intensity_mso, stimulus.intensity_mso, DOUBLE_MS)
        self.person.number = number - 1
        sweep = self.person.deliver(
            stimulus, contraction_pct=request.contraction_pct, site_cm=request.site_cm, mishap=mishap
        )
        start = test - sweep.onset_sample
        if request.contraction_pct > 0:
            self._hold(stimulus, number, request.contraction_pct, start, test)
        self._parts.append((start, sweep.samples_uv))
        pulses = tuple(
            test + math.ceil(pulse.at_ms * RATE_KHZ - 1e-6) for pulse in given_pulses(stimulus, mishap.lapse)
        )
        if not mishap.trigger_missed:
            self._edges += pulses
        return pulses

    def hold(self, pct: float) -> None:
        """Contract from now on, in % MVC, 0 is rest; a stimulus in between brings the contraction it was asked for with."""
        if pct != self._held_pct:
            self._held_pct = pct
            self._piece = (-1, np.empty((self.emg, 0)))

    def _hold(self, stimulus: Stimulus, number: int, contraction_pct: float, start: int, test: int) -> None:
        """Contract before the sweep begins, and hold the torque until after it."""
        begin = test - round(HOLD_BEFORE_MS * RATE_KHZ)
        self._torque.append((begin, test + round(HOLD_AFTER_MS * RATE_KHZ), contraction_pct))
        count = start - begin
        from_ms = (begin - test) / RATE_KHZ
        activities = self.person.respond(stimulus, number, contraction_pct, -from_ms, HOLD_AFTER_MS)
        rows = self._rest_at(begin, count).astype(np.float64)
        for row, (pathway, activity) in enumerate(zip(self.person.pathways, activities, strict=True)):
            background = activity.background
            early = background.start_ms < from_ms + count / RATE_KHZ
            kept = Potentials(background.unit[early], background.start_ms[early])
            rows[row] += draw_potentials(pathway.pool, kept, from_ms, RATE_KHZ, count)
        rails = [[electrodes.rail_uv] for electrodes in self.person.electrodes]
        self._parts.append((begin, np.clip(rows, -np.array(rails), rails).astype(np.float32)))

    def block(self, count: int) -> NDArray[np.float32]:
        """Return the next ``count`` samples, shape (n_channels + 3, count)."""
        first, stop = self.position, self.position + count
        out = np.zeros((self.emg + 3, count), dtype=np.float32)
        out[: self.emg] = self._between(first, count)
        for start, part in self._parts:
            low, high = max(first, start), min(stop, start + part.shape[1])
            if low < high:
                out[: self.emg, low - first : high - first] = part[:, low - start : high - start]
        width = round(TRIGGER_MS * RATE_KHZ)
        for edge in self._edges:
            out[self.emg, max(edge - first, 0) : max(edge + width - first, 0)] = TRIGGER_UV
        held = np.full(count, self._held_pct)
        for begin, end, pct in self._torque:
            held[max(begin - first, 0) : max(end - first, 0)] = pct
        wander = _WANDER_PCT * np.sin(2 * np.pi * np.arange(first, stop) / RATE_HZ) * (held > 0)
        out[self.emg + 1] = self._chance.normal(0.0, 0.05, count) + held + wander
        out[self.emg + 2] = np.arange(first, stop) % COUNTER
        self.position = stop
        self._parts = [(start, part) for start, part in self._parts if start + part.shape[1] > stop]
        self._edges = [edge for edge in self._edges if edge + width > stop]
        self._torque = [one for one in self._torque if one[1] > stop]
        return out

    def _between(self, first: int, count: int) -> SamplesUv:
        """Return the EMG between stimuli: rest, or what is held."""
        rest = self._rest_at(first, count)
        if not self._held_pct:
            return rest
        at = np.arange(first, first + count)
        held = np.zeros(rest.shape)
        for number in range(first // _PIECE, at[-1] // _PIECE + 1):
            inside = at // _PIECE == number
            held[:, inside] = self._held_piece(number)[:, at[inside] % _PIECE]
        rails = np.array([[electrodes.rail_uv] for electrodes in self.person.electrodes])
        return np.clip(rest + held, -rails, rails).astype(np.float32)

    def _held_piece(self, number: int) -> NDArray[np.float64]:
        if self._piece[0] != number:
            self._piece = number, draw_held(self.person, self._held_pct, _REST_NUMBER + number, _PIECE)
        return self._piece[1]

    def _rest_at(self, first: int, count: int) -> SamplesUv:
        return self._rest[:, np.arange(first, first + count) % self._rest.shape[1]]
