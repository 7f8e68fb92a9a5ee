"""The virtual participant: asked for a stimulus, answers with a sweep, and knows its own truth."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from decussa.model.errors import UsageError
from decussa.model.muscle import muscle_and_side
from decussa.model.recording import Channel
from decussa.model.stimulus import Stimulus
from decussa.model.sweep import Sweep
from decussa.source.virtual.character import character_of, draw_hard
from decussa.source.virtual.coil import Coil, place, reach, slide
from decussa.source.virtual.cortex import Pathway, draw_pathway
from decussa.source.virtual.mishap import NOTHING_WRONG, Mishap
from decussa.source.virtual.montage import Montage, montage_of
from decussa.source.virtual.pool import draw_potentials
from decussa.source.virtual.recorder import (
    RATE_HZ,
    RATE_KHZ,
    Electrodes,
    convert,
    draw_artifact,
    draw_beats,
    draw_electrodes,
    draw_heart,
    draw_noise,
    lose_contact,
)
from decussa.source.virtual.response import DELIVERED, Activity, Lapse, check_delivery, given_pulses, respond
from decussa.source.virtual.state import RESTED, State
from decussa.source.virtual.truth import PersonTruth, SweepTruth, muscle_truth

#: A sweep of ``deliver`` begins this long before the first pulse and ends this long after the test pulse.
BEFORE_MS = 150.0
AFTER_MS = 450.0


class VirtualParticipant:
    """A person made of motor units, wired to a recorder.

    The same seed is the same person under every protocol and in every state. A sweep depends on the seed, the state, the
    number of the stimulus and what is asked, and on nothing else.

    Parameters
    ----------
    seed : int
        Which person.
    protocol : {"hand", "forearm", "lumbar", "leg", "patient"} or Montage
        Which muscles are recorded.
    state : State
        What the day did to the person.
    hard : str
        What makes the person hard to record, by name (``character.HARD``); nothing where empty, and ``"drawn"`` leaves it
        to the seed.

    Raises
    ------
    UsageError
        If the protocol or the kind of person is not known, or the seed is negative.
    """

    def __init__(
        self, seed: int = 0, protocol: str | Montage = "hand", *, state: State = RESTED, hard: str = ""
    ) -> None:
        if seed < 0:
            raise UsageError("a seed is a whole number from 0", expected="0 or more", found=str(seed))
        self._montage = montage_of(protocol) if isinstance(protocol, str) else protocol
        self.state = state
        self.number = 0
        hard = draw_hard(seed) if hard == "drawn" else hard
        self._character = character_of(hard)
        body = np.random.default_rng([seed, 1])
        sex = "F" if body.random() < 0.5 else "M"
        height_cm = float(body.normal(166.0 if sex == "F" else 178.0, 6.7))
        age, right_handed = int(body.integers(20, 36)), bool(body.random() < 0.9)
        self._phases = body.uniform(0, 2 * np.pi, 2)
        self._chance = (seed, 4, *self._montage.name.encode(), 0, *state.name.encode())
        self._draw_muscles(seed, height_cm)
        self.truth = PersonTruth(
            seed=seed,
            protocol=self._montage.name,
            height_cm=round(height_cm, 1),
            age=age,
            sex=sex,
            handedness="R" if right_handed else "L",
            target=self._montage.sites[0].channel,
            hard=hard,
            tolerance_mso=self._draw_tolerance(seed),
            muscles=MappingProxyType(
                {
                    pathway.site.channel: muscle_truth(pathway, electrodes, state.drive.get(pathway.anatomy.key, 0.0))
                    for pathway, electrodes in zip(self._pathways, self._electrodes, strict=True)
                }
            ),
        )
        self.last_truth: SweepTruth | None = None

    def _draw_muscles(self, seed: int, height_cm: float) -> None:
        self._pathways: tuple[Pathway, ...] = ()
        self._electrodes: tuple[Electrodes, ...] = ()
        for site in self._montage.sites:
            anatomy = site.anatomy
            better = np.random.default_rng([seed, 2, *anatomy.key.encode()]).standard_normal(3)
            rng = np.random.default_rng([seed, 3, *site.channel.encode()])
            place_rng = np.random.default_rng([seed, 6, *site.channel.encode()])
            self._pathways += (draw_pathway(site, height_cm, better, self._character, rng, place_rng),)
            rail_uv = self.state.rail_uv.get(anatomy.key, anatomy.rail_uv)
            electrodes = draw_electrodes(anatomy.artifact_uv, anatomy.heart_uv, rail_uv, rng)
            self._electrodes += (replace(electrodes, noise_uv=electrodes.noise_uv * self._character.noise),)

    def _draw_tolerance(self, seed: int) -> float:
        bears = self._montage.sites[0].anatomy.bears_mso
        drawn = np.random.default_rng([seed, 9]).normal(bears.mean, bears.sd)
        return float(self._character.tolerance * max(drawn, 0.6 * bears.mean))

    @property
    def channels(self) -> tuple[Channel, ...]:
        """The recorded channels, with the ends of their converter's range."""
        described = []
        for pathway, electrodes in zip(self._pathways, self._electrodes, strict=True):
            name = pathway.site.channel
            muscle, side = muscle_and_side(name)
            rail = electrodes.rail_uv
            described.append(
                Channel(name=name, kind="emg", rate_hz=RATE_HZ, muscle=muscle, side=side, low_uv=-rail, high_uv=rail)
            )
        return tuple(described)

    @property
    def stim_side(self) -> str:
        """Side of the head that is stimulated."""
        return self._montage.stim_side

    def deliver(
        self,
        stimulus: Stimulus,
        *,
        contraction_pct: float = 0.0,
        site_cm: tuple[float, float] | None = None,
        mishap: Mishap = NOTHING_WRONG,
    ) -> Sweep:
        """Give ``stimulus`` and return the sweep; its truth is in ``last_truth``.

        Parameters
        ----------
        stimulus : Stimulus
            What to give; a nerve pulse needs a muscle with a nerve within reach.
        contraction_pct : float
            Contraction that is asked for, in % MVC; 0 is rest.
        site_cm : (float, float), optional
            Where the coil is put, cm to the right and to the front of the vertex, as well as a hand can; without it the coil
            is at the hotspot of every muscle.
        mishap : Mishap
            What goes wrong.

        Returns
        -------
        Sweep from 150 ms before the first pulse to 450 ms after the test pulse, at 5 kHz, µV.

        Raises
        ------
        UsageError
            If a strength is missing, the contraction is not within 0 to 100 %, or no nerve can be reached.
        """
        before_ms = BEFORE_MS - stimulus.pulses[0].at_ms
        number = self.next_number()
        reaches = self.reaches(number, site_cm, mishap)
        activities = self.respond(stimulus, number, contraction_pct, before_ms, AFTER_MS, mishap.lapse, reaches=reaches)
        onset_sample = math.ceil(before_ms * RATE_KHZ)
        n_samples = onset_sample + round(AFTER_MS * RATE_KHZ)
        from_ms = -onset_sample / RATE_KHZ
        response = np.zeros((len(activities), n_samples))
        muscle = np.zeros_like(response)
        for row, (pathway, activity) in enumerate(zip(self._pathways, activities, strict=True)):
            response[row] = draw_potentials(pathway.pool, activity.response, from_ms, RATE_KHZ, n_samples)
            muscle[row] = response[row] + draw_potentials(pathway.pool, activity.rest(), from_ms, RATE_KHZ, n_samples)
        responses = {p.site.channel: a.truth for p, a in zip(self._pathways, activities, strict=True)}
        self.last_truth = SweepTruth(responses=responses, response_uv=response, muscle_uv=muscle)
        return Sweep(
            samples_uv=self._record(muscle, stimulus, number, from_ms, mishap),
            rate_hz=RATE_HZ,
            onset_sample=onset_sample,
            channels=tuple(pathway.site.channel for pathway in self._pathways),
        )

    def next_number(self) -> int:
        """Count one stimulus and return its number, from 1."""
        self.number += 1
        return self.number

    def rng(self, number: int, purpose: int) -> np.random.Generator:
        """Return the source of chance for one stimulus and one purpose, independent of everything else."""
        return np.random.default_rng([*self._chance, number, purpose])

    def respond(
        self,
        stimulus: Stimulus,
        number: int,
        contraction_pct: float,
        before_ms: float,
        after_ms: float,
        lapse: Lapse = DELIVERED,
        *,
        reaches: Sequence[float] | None = None,
    ) -> tuple[Activity, ...]:
        """Return what each muscle does around stimulus ``number``, in the order of the channels.

        ``reaches`` is the share of the pulse that reaches each muscle's part of the cortex; all of it where omitted.
        """
        check_delivery(stimulus, contraction_pct)
        tension_pct = lapse.tension_pct + self._tension_pct(number)
        common = self.rng(number, 0).standard_normal(2)
        return tuple(
            respond(
                pathway,
                stimulus,
                contraction_pct=contraction_pct * self.state.background.get(pathway.anatomy.key, 1.0),
                shift=self.state.drive.get(pathway.anatomy.key, 0.0) + self._character.drift_at(number),
                number=number,
                phases=self._phases,
                common=common,
                span_ms=(-before_ms, after_ms),
                lapse=replace(
                    lapse, tension_pct=tension_pct, reach=lapse.reach * (reaches[row] if reaches is not None else 1.0)
                ),
                rng=self.rng(number, 10 + row),
            )
            for row, pathway in enumerate(self._pathways)
        )

    def _tension_pct(self, number: int) -> float:
        """Return the contraction that the person does not notice at a stimulus, in % MVC."""
        if self._character.tense_share == 0:
            return 0.0
        rng = self.rng(number, 3)
        return (
            float(rng.exponential(self._character.tension_pct)) if rng.random() < self._character.tense_share else 0.0
        )

    def reaches(
        self, number: int, site_cm: tuple[float, float] | None, mishap: Mishap = NOTHING_WRONG
    ) -> tuple[float, ...]:
        """Return what share of the pulse of stimulus ``number`` reaches each muscle's part of the cortex."""
        rng = self.rng(number, 2)
        placed = None
        if site_cm is not None:
            at_mm = [round(10 * value) + 10_000 for value in site_cm]
            placed = place(site_cm, np.random.default_rng([*self._chance, 5, *at_mm]), rng)
        found = []
        for pathway in self._pathways:
            spot = pathway.spot
            coil = placed or Coil(spot.x_cm, spot.y_cm, spot.angle_deg)
            coil = slide(coil, mishap.slid_cm, mishap.turned_deg, self.rng(number, 4))
            found.append(reach(spot, coil, pathway.anatomy.reach_cm))
        return tuple(found)

    @property
    def pathways(self) -> tuple[Pathway, ...]:
        """The ways to the recorded muscles, in the order of the channels: for whoever draws longer recordings."""
        return self._pathways

    @property
    def electrodes(self) -> tuple[Electrodes, ...]:
        """The electrodes, in the order of the channels."""
        return self._electrodes

    def _record(
        self, muscle: NDArray[np.float64], stimulus: Stimulus, number: int, from_ms: float, mishap: Mishap
    ) -> NDArray[np.float32]:
        n_samples = muscle.shape[1]
        time_ms = from_ms + np.arange(n_samples) / RATE_KHZ
        until_ms = float(time_ms[-1])
        beats = draw_beats(self.state.heart_per_min, from_ms, until_ms, self.rng(number, 1))
        recorded = np.empty(muscle.shape, dtype=np.float32)
        for row, electrodes in enumerate(self._electrodes):
            rng = self.rng(number, 30 + row)
            trace = muscle[row] + draw_noise(electrodes, n_samples, rng)
            trace += draw_heart(electrodes, beats, from_ms, n_samples)
            for pulse in given_pulses(stimulus, mishap.lapse):
                trace += draw_artifact(electrodes, pulse, time_ms, rng)
            if mishap.electrode_off and row == 0:
                trace = lose_contact(trace, rng)
            recorded[row] = convert(trace, electrodes.rail_uv)
        return recorded
