"""A crowd of virtual participants, measured as a lab measures people: through sweeps, never through their truth.

A threshold is found by pulses, settings are multiples of the one that was found, and sizes and times are those that the
package measures on the sweeps that came back. Whatever was measured once is kept.
"""

from functools import cache, cached_property

import numpy as np

from decussa.estimate import threshold
from decussa.measuring.sweeps import measure_sweeps
from decussa.model.muscle import muscle_and_side
from decussa.model.stimulus import Stimulus
from decussa.source.virtual.montage import Montage, montage_of
from decussa.source.virtual.person import VirtualParticipant
from decussa.source.virtual.state import RESTED

#: Pulses to find a threshold with; the error is then some 1.5 % of it.
HUNTING = 40


class Crowd:
    """People with electrodes for one protocol, all asked the same; arrays are by person, then by trial.

    ``channel`` is the row of the muscle that is looked at, 0 the target.
    """

    def __init__(self, protocol, n, *, channel=0, first_seed=0, state=RESTED):
        self.montage = protocol if isinstance(protocol, Montage) else montage_of(protocol)
        self.people = [VirtualParticipant(first_seed + seed, self.montage, state=state) for seed in range(n)]
        self.row = channel
        self.label = self.montage.sites[channel].channel
        self.muscle, _ = muscle_and_side(self.label)

    def __len__(self):
        return len(self.people)

    @cached_property
    def rmt_mso(self):
        """Resting thresholds found by hunting, % MSO."""
        return np.array([self._hunt(person, 0.0) for person in self.people])

    @cached_property
    def amt_mso(self):
        """Thresholds found by hunting during a contraction of 15 % MVC, 200 µV, % MSO."""
        return np.array([self._hunt(person, 15.0) for person in self.people])

    def _hunt(self, person, contraction_pct):
        state = threshold.start(muscle=self.muscle.key, active=contraction_pct > 0)
        for _ in range(HUNTING):
            at_mso = threshold.suggest(state)
            came = self._measure(person, [Stimulus.single(at_mso)], contraction_pct)
            size_uv, noise_uv = float(came["amplitude_uv"][0]), float(came["noise_uv"][0])
            state = threshold.learn(state, at_mso, size_uv, noise_uv=noise_uv)
        return threshold.summary(state).value

    @cache  # noqa: B019
    def singles(self, share, trials, *, contraction_pct=0.0, of="rmt", silent=False):
        """Trials at ``share`` of a threshold: measured columns, each of shape (people, trials)."""
        base = self.rmt_mso if of == "rmt" else self.amt_mso
        return self._stack(
            self._measure(person, [_single(share * mso)] * trials, contraction_pct, silent=silent, onsets=True)
            for person, mso in zip(self.people, base, strict=True)
        )

    @cache  # noqa: B019
    def pairs(self, isi_ms, trials, *, cond=0.75, test=1.2, block=0):  # noqa: ARG002
        """Mean conditioned over mean unconditioned size in each person, settings as shares of the resting threshold."""
        ratios = []
        for person, mso in zip(self.people, self.rmt_mso, strict=True):
            alone = self._measure(person, [_single(test * mso)] * trials, 0.0)
            pair = Stimulus.paired(min(cond * mso, 100.0), min(test * mso, 100.0), isi_ms)
            conditioned = self._measure(person, [pair] * trials, 0.0, isi_ms=isi_ms)
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

    def _measure(self, person, stimuli, contraction_pct, *, isi_ms=None, silent=False, onsets=False, nerve=False):
        sweeps = [person.deliver(stimulus, contraction_pct=contraction_pct) for stimulus in stimuli]
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


def steepest(curve):
    """Return the steepest slope of a curve over two steps, µV per % MSO, and where the tangent there meets zero, % MSO."""
    levels, sizes = curve
    slopes = (sizes[2:] - sizes[:-2]) / (levels[2:] - levels[:-2])
    at = int(np.argmax(slopes))
    return slopes[at], levels[at + 1] - sizes[at + 1] / slopes[at]


def _single(mso):
    return Stimulus.single(min(mso, 100.0))
