"""A crowd of virtual participants, measured as a lab measures people: through sweeps, never through their truth.

A threshold is found by pulses, settings are multiples of the one that was found, and sizes and times are those that the
package measures on the sweeps that came back. Whatever was measured once is kept.
"""

from functools import cache, cached_property

import numpy as np
from scipy.optimize import curve_fit

from decussa.estimate.threshold import likelihood_hunting
from decussa.measuring.sweeps import measure_sweeps
from decussa.model.muscle import muscle_and_side
from decussa.model.stimulus import Stimulus
from decussa.source.virtual.mishap import NOTHING_WRONG, Mishap
from decussa.source.virtual.montage import Montage, montage_of
from decussa.source.virtual.person import VirtualParticipant
from decussa.source.virtual.response import Lapse
from decussa.source.virtual.state import RESTED

#: Pulses to find a threshold with; the error is then some 2 % of it.
HUNTING = 25


class Crowd:
    """People with electrodes for one protocol, all asked the same; arrays are by person, then by trial.

    ``channel`` is the row of the muscle that is looked at, 0 the target.
    """

    def __init__(self, protocol, n, *, channel=0, first_seed=0, state=RESTED):
        self.montage = protocol if isinstance(protocol, Montage) else montage_of(protocol)
        self.first_seed, self.state = first_seed, state
        self.people = [VirtualParticipant(first_seed + seed, self.montage, state=state) for seed in range(n)]
        self.row = channel
        self.label = self.montage.sites[channel].channel
        self.muscle, _ = muscle_and_side(self.label)

    def __len__(self):
        return len(self.people)

    @cached_property
    def other_side(self):
        """The same people, looked at in their second channel."""
        return Crowd(self.montage, len(self), channel=1, first_seed=self.first_seed, state=self.state)

    @cached_property
    def rmt_mso(self):
        """Resting thresholds found by hunting, % MSO."""
        return np.array([self._hunt(person, 0.0) for person in self.people])

    @cached_property
    def amt_mso(self):
        """Thresholds found by hunting during a contraction of 15 % MVC, 200 µV, % MSO."""
        return np.array([self._hunt(person, 15.0) for person in self.people])

    def _hunt(self, person, contraction_pct):
        criterion_uv = 200.0 if contraction_pct else 50.0
        state = likelihood_hunting.start()
        for _ in range(HUNTING):
            at_mso = likelihood_hunting.suggest(state)
            size_uv = float(self._measure(person, [Stimulus.single(at_mso)], contraction_pct)["size_uv"][0])
            state = likelihood_hunting.learn(state, at_mso, response=size_uv >= criterion_uv)
        return likelihood_hunting.summary(state).value

    def base_mso(self, of):
        """The threshold that settings are multiples of: ``rmt`` or ``amt``, % MSO."""
        return self.rmt_mso if of == "rmt" else self.amt_mso

    @cache  # noqa: B019
    def singles(self, share, trials, *, contraction_pct=0.0, of="rmt", times=False, silent=False):
        """Trials at ``share`` of a threshold: measured columns, each of shape (people, trials).

        ``times`` asks for onsets too, ``silent`` for the end of the silence.
        """
        return self._stack(
            self._measure(
                person, [_single(share * mso)] * trials, contraction_pct, silent=silent, onsets=times or silent
            )
            for person, mso in zip(self.people, self.base_mso(of), strict=True)
        )

    @cache  # noqa: B019
    def at_most(self, trials):
        """Mean size at rest at 100 % MSO in each person, µV."""
        columns = [self._measure(person, [Stimulus.single(100.0)] * trials, 0.0) for person in self.people]
        return np.array([column["size_uv"].mean() for column in columns])

    @cache  # noqa: B019
    def tense(self, trials):
        """Trials at the resting threshold while the muscle is tense to some degree, up to 1 % MVC, in each person."""
        found = []
        for seed, (person, mso) in enumerate(zip(self.people, self.rmt_mso, strict=True)):
            tensions = np.random.default_rng(seed).uniform(0.0, 1.0, trials)
            mishaps = [Mishap(lapse=Lapse(tension_pct=float(tension))) for tension in tensions]
            found.append(self._measure(person, [Stimulus.single(mso)] * trials, 0.0, mishaps=mishaps))
        return self._stack(found)

    @cache  # noqa: B019
    def pairs(self, isi_ms, trials, *, cond=0.75, test=1.2, of="rmt", contraction_pct=0.0, block=0):  # noqa: ARG002
        """Mean conditioned over mean unconditioned size in each person, settings as shares of a threshold.

        Another ``block`` is the same asked again.
        """
        ratios = []
        for person, mso in zip(self.people, self.base_mso(of), strict=True):
            pair = Stimulus.paired(min(cond * mso, 100.0), min(test * mso, 100.0), isi_ms)
            alone = self._measure(person, [_single(test * mso)] * trials, contraction_pct)
            conditioned = self._measure(person, [pair] * trials, contraction_pct, isi_ms=isi_ms)
            ratios.append(conditioned["size_uv"].mean() / alone["size_uv"].mean())
        return np.array(ratios)

    @cache  # noqa: B019
    def curves(self, contraction_pct, trials):
        """Mean sizes by level in each person, from 70 % of the resting threshold to 100 % MSO in steps of a twentieth of it.

        A list with, for each person, intensities in % MSO and means in µV.
        """
        found = []
        for person, mso in zip(self.people, self.rmt_mso, strict=True):
            levels = np.arange(0.7 * mso, 100.0, 0.05 * mso)
            stimuli = [Stimulus.single(level) for level in levels for _ in range(trials)]
            sizes = self._measure(person, stimuli, contraction_pct)["size_uv"]
            found.append((levels, sizes.reshape(levels.size, trials).mean(axis=1)))
        return found

    @cached_property
    def mmax_uv(self):
        """Largest M-wave over a rise of current, µV."""
        found = []
        for person in self.people:
            came = self._measure(person, [Stimulus.nerve(float(ma)) for ma in range(4, 44, 4)], 0.0, nerve=True)
            found.append(came["amplitude_uv"].max())
        return np.array(found)

    def _measure(
        self, person, stimuli, contraction_pct, *, mishaps=None, isi_ms=None, silent=False, onsets=False, nerve=False
    ):
        mishaps = mishaps or [NOTHING_WRONG] * len(stimuli)
        sweeps = [
            person.deliver(stimulus, contraction_pct=contraction_pct, mishap=mishap)
            for stimulus, mishap in zip(stimuli, mishaps, strict=True)
        ]
        channel = person.channels[self.row]
        return measure_sweeps(
            np.stack([sweep.samples_uv[self.row] for sweep in sweeps]),
            sweeps[0].rate_hz,
            sweeps[0].onset_sample,
            window_ms=self.muscle.m_window_ms if nerve else self.muscle.window_ms,
            isi_ms=isi_ms,
            onset="model" if onsets else None,
            silent=silent,
            intervals=False,
            low_uv=channel.low_uv,
            high_uv=channel.high_uv,
            nerve=nerve,
        )

    def _stack(self, measured):
        rows = list(measured)
        return {name: np.stack([row[name] for row in rows]) for name in rows[0]}


def steepness(curve):
    """Return the steepest slope, µV per % MSO, of a Boltzmann curve fitted to mean sizes by least squares."""
    levels, sizes = curve

    def boltzmann(at, top, middle, log_k):
        return top / (1 + np.exp((middle - at) / np.exp(log_k)))

    begin = [sizes.max(), levels[np.argmin(np.abs(sizes - sizes.max() / 2))], 1.0]
    (top, _, log_k), _ = curve_fit(boltzmann, levels, sizes, begin, maxfev=20_000)
    return top / (4 * np.exp(log_k))


def _single(mso):
    return Stimulus.single(min(mso, 100.0))
