"""The virtual participant: asked for a stimulus, answers with a sweep, and knows its own truth."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from decussa.model.errors import UsageError
from decussa.model.muscle import muscle_and_side
from decussa.model.recording import Channel
from decussa.model.stimulus import Stimulus
from decussa.model.sweep import Sweep
from decussa.source.virtual.anatomy import montage_of
from decussa.source.virtual.cortex import Pathway, draw_pathway
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
)
from decussa.source.virtual.response import DELIVERED, Activity, Lapse, ResponseTruth, check_delivery, respond
from decussa.source.virtual.truth import MuscleTruth, muscle_truth

#: A sweep of ``deliver`` begins this long before the first pulse and ends this long after the test pulse.
BEFORE_MS = 150.0
AFTER_MS = 450.0


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """What a day does to a person and to the recorder.

    Parameters
    ----------
    name : str
        Tells states of one person apart: chance is drawn anew for each.
    drive : mapping of str to float
        Change of drive by muscle key, in log intensity.
    background : mapping of str to float
        Factor on the contraction that is really held, by muscle key.
    rail_uv : mapping of str to float
        Ends of the converter's range that somebody chose in place of the usual ones, by muscle key.
    heart_per_min : float
        Heart rate.
    """

    name: str = ""
    drive: Mapping[str, float] = field(default_factory=dict)
    background: Mapping[str, float] = field(default_factory=dict)
    rail_uv: Mapping[str, float] = field(default_factory=dict)
    heart_per_min: float = 66.0


RESTED = State()


@dataclass(frozen=True, slots=True, kw_only=True)
class PersonTruth:
    """What is true of a virtual participant, for tests and the debrief only.

    ``muscles`` is by channel name, such as ``FDI right``; ``target`` names the channel the protocol is about.
    """

    seed: int
    protocol: str
    height_cm: float
    age: int
    sex: str
    handedness: str
    target: str
    muscles: Mapping[str, MuscleTruth]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SweepTruth:
    """What is true of one sweep: by channel the response, and the noiseless signals in µV, in the order of the channels.

    ``response_uv`` is the response to the test pulse alone; ``muscle_uv`` is all the muscle did: both responses of a pair
    and the background. Both have the shape of the sweep, and neither has passed the amplifier.
    """

    responses: Mapping[str, ResponseTruth]
    response_uv: NDArray[np.float64]
    muscle_uv: NDArray[np.float64]


class VirtualParticipant:
    """A person made of motor units, wired to a recorder.

    The same seed is the same person under every protocol and in every state. A sweep depends on the seed, the state, the
    number of the stimulus and what is asked, and on nothing else.

    Parameters
    ----------
    seed : int
        Which person.
    protocol : {"hand", "forearm", "lumbar"}
        Which muscles are recorded.
    state : State
        What the day did to the person.

    Raises
    ------
    UsageError
        If the protocol is not known or the seed is negative.
    """

    def __init__(self, seed: int = 0, protocol: str = "hand", *, state: State = RESTED) -> None:
        if seed < 0:
            raise UsageError("a seed is a whole number from 0", expected="0 or more", found=str(seed))
        self._montage = montage_of(protocol)
        self.state = state
        self.number = 0
        body = np.random.default_rng([seed, 1])
        sex = "F" if body.random() < 0.5 else "M"
        height_cm = float(body.normal(166.0 if sex == "F" else 178.0, 6.7))
        age, right_handed = int(body.integers(20, 36)), bool(body.random() < 0.9)
        self._phases = body.uniform(0, 2 * np.pi, 2)
        self._chance = (seed, 4, *protocol.encode(), 0, *state.name.encode())
        self._pathways: tuple[Pathway, ...] = ()
        self._electrodes: tuple[Electrodes, ...] = ()
        for site in self._montage.sites:
            anatomy = site.anatomy
            better = np.random.default_rng([seed, 2, *anatomy.key.encode()]).standard_normal(2)
            rng = np.random.default_rng([seed, 3, *site.channel.encode()])
            self._pathways += (draw_pathway(site, height_cm, better, rng),)
            rail_uv = state.rail_uv.get(anatomy.key, anatomy.rail_uv)
            self._electrodes += (draw_electrodes(anatomy.artifact_uv, anatomy.heart_uv, rail_uv, rng),)
        self.truth = PersonTruth(
            seed=seed,
            protocol=protocol,
            height_cm=round(height_cm, 1),
            age=age,
            sex=sex,
            handedness="R" if right_handed else "L",
            target=self._montage.sites[0].channel,
            muscles=MappingProxyType(
                {
                    pathway.site.channel: muscle_truth(pathway, electrodes, state.drive.get(pathway.anatomy.key, 0.0))
                    for pathway, electrodes in zip(self._pathways, self._electrodes, strict=True)
                }
            ),
        )
        self.last_truth: SweepTruth | None = None

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

    def deliver(self, stimulus: Stimulus, *, contraction_pct: float = 0.0) -> Sweep:
        """Give ``stimulus`` and return the sweep; its truth is in ``last_truth``.

        Parameters
        ----------
        stimulus : Stimulus
            What to give; a nerve pulse needs a muscle with a nerve within reach.
        contraction_pct : float
            Contraction that is asked for, in % MVC; 0 is rest.

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
        activities = self.respond(stimulus, number, contraction_pct, before_ms, AFTER_MS)
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
            samples_uv=self._record(muscle, stimulus, number, from_ms),
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
    ) -> tuple[Activity, ...]:
        """Return what each muscle does around stimulus ``number``, in the order of the channels."""
        check_delivery(stimulus, contraction_pct)
        common = self.rng(number, 0).standard_normal(2)
        return tuple(
            respond(
                pathway,
                stimulus,
                contraction_pct=contraction_pct * self.state.background.get(pathway.anatomy.key, 1.0),
                shift=self.state.drive.get(pathway.anatomy.key, 0.0),
                number=number,
                phases=self._phases,
                common=common,
                span_ms=(-before_ms, after_ms),
                lapse=lapse,
                rng=self.rng(number, 10 + row),
            )
            for row, pathway in enumerate(self._pathways)
        )

    @property
    def pathways(self) -> tuple[Pathway, ...]:
        """The ways to the recorded muscles, in the order of the channels: for whoever draws longer recordings."""
        return self._pathways

    @property
    def electrodes(self) -> tuple[Electrodes, ...]:
        """The electrodes, in the order of the channels."""
        return self._electrodes

    def _record(
        self, muscle: NDArray[np.float64], stimulus: Stimulus, number: int, from_ms: float
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
            for pulse in stimulus.pulses:
                trace += draw_artifact(electrodes, pulse, time_ms, rng)
            recorded[row] = convert(trace, electrodes.rail_uv)
        return recorded
