"""What one muscle does around one stimulus: background, responses, silence, return; and the truth of it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from decussa.model.errors import UsageError
from decussa.model.stimulus import Pulse, Stimulus
from decussa.source.virtual.conditioning import conditioning_shift
from decussa.source.virtual.cortex import (
    COMMON,
    FLUCTUATION,
    REFRACTORY_MS,
    STEADY,
    Pathway,
    contraction_boost,
    drift,
    drive_of,
    fire_by_cortex,
    fire_by_nerve,
)
from decussa.source.virtual.pool import (
    NO_POTENTIALS,
    Array,
    Potentials,
    Rng,
    draw_potentials,
    fire_by_will,
)
from decussa.source.virtual.recruitment import rest_share
from decussa.source.virtual.silence import RETURN_MS, silence_until_ms

#: Fluctuation of the silent period: within-subject CV 7.3 %, Neurosci Lett 2009, 464:84, doi 10.1016/j.neulet.2009.08.029.
SILENCE_CV = 0.073
#: How well a contraction is held from trial to trial (from memory, no source).
HOLD_CV = 0.07


@dataclass(frozen=True, slots=True, kw_only=True)
class Lapse:
    """What goes wrong with one stimulus.

    Parameters
    ----------
    reach : float
        Share of the intensity that reaches the cortex: below 1 the coil has slipped.
    fired : bool
        Whether the stimulator fired at all.
    tension_pct : float
        Contraction that nobody asked for, in % MVC.
    isi_error_ms : float
        Interval given minus interval asked for.
    """

    reach: float = 1.0
    fired: bool = True
    tension_pct: float = 0.0
    isi_error_ms: float = 0.0


DELIVERED = Lapse()


def given_pulses(stimulus: Stimulus, lapse: Lapse) -> tuple[Pulse, ...]:
    """Return the pulses that were really given: none where the stimulator did not fire, the first one early or late."""
    if not lapse.fired:
        return ()
    *earlier, test = stimulus.pulses
    return (*(replace(pulse, at_ms=pulse.at_ms - lapse.isi_error_ms) for pulse in earlier), test)


@dataclass(frozen=True, slots=True, kw_only=True)
class ResponseTruth:
    """What is true of one muscle after one stimulus; NaN where there is nothing.

    Parameters
    ----------
    size_uv : float
        Peak-to-peak of the response to the test pulse without noise and background; 0 without a response.
    latency_ms, end_ms : float
        Start of its first and end of its last potential.
    silent_end_ms : float
        Start of the first potential after the silence.
    first_size_uv : float
        Peak-to-peak of the response to the conditioning pulse.
    contraction_pct : float
        Contraction really held.
    """

    size_uv: float
    latency_ms: float = math.nan
    end_ms: float = math.nan
    silent_end_ms: float = math.nan
    first_size_uv: float = math.nan
    contraction_pct: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Activity:
    """Discharges of one muscle around one stimulus, in ms from the test pulse, and their truth."""

    response: Potentials
    first: Potentials
    background: Potentials
    truth: ResponseTruth

    def rest(self) -> Potentials:
        """All but the response to the test pulse."""
        return self.first.joined(self.background)

    def all(self) -> Potentials:
        """Everything the muscle does."""
        return self.response.joined(self.rest())


def respond(
    pathway: Pathway,
    stimulus: Stimulus,
    *,
    contraction_pct: float,
    shift: float,
    number: int,
    phases: Array,
    common: Array,
    span_ms: tuple[float, float],
    lapse: Lapse,
    rng: Rng,
) -> Activity:
    """Return what the muscle does from ``span_ms[0]`` to ``span_ms[1]`` around stimulus ``number``.

    ``shift`` is the state's change of drive, ``phases`` the person's drift, ``common`` two standard normal numbers that all
    muscles share.
    """
    held = (contraction_pct + lapse.tension_pct + pathway.tone_pct) * math.exp(HOLD_CV * rng.standard_normal())
    first, response = NO_POTENTIALS, NO_POTENTIALS
    if stimulus.stim_type == "nerve":
        response = _nerve(pathway, stimulus.current_ma, lapse, rng)
    elif lapse.fired:
        steady = 1 - (1 - STEADY) * -math.expm1(-held / 6.0)
        own = rng.standard_normal(2)
        chance = FLUCTUATION * steady * (math.sqrt(COMMON) * common + math.sqrt(1 - COMMON) * own)
        moved = shift + drift(number, phases) + contraction_boost(pathway, held)
        first, response = _cortical(pathway, stimulus, moved, chance, held, lapse, rng)
    background, silent_end_ms = _background(pathway, stimulus, held, span_ms, lapse, rng)
    truth = ResponseTruth(
        size_uv=_size(pathway, response),
        latency_ms=float(response.start_ms.min()) if response.unit.size else math.nan,
        end_ms=float((response.start_ms + pathway.pool.width_ms[response.unit]).max())
        if response.unit.size
        else math.nan,
        silent_end_ms=silent_end_ms,
        first_size_uv=_size(pathway, first) if stimulus.stim_type == "paired" else math.nan,
        contraction_pct=held,
    )
    return Activity(response=response, first=first, background=background, truth=truth)


def check_delivery(stimulus: Stimulus, contraction_pct: float) -> None:
    """Raise ``UsageError`` where a strength is not said or a contraction cannot be."""
    pulses = stimulus.pulses
    unsaid = [pulse for pulse in pulses if math.isnan(pulse.intensity_mso) and math.isnan(pulse.current_ma)]
    if unsaid:
        raise UsageError("a pulse needs its strength", expected="intensity in % MSO or current in mA", found="none")
    if not 0 <= contraction_pct <= 100:
        raise UsageError("contraction is out of range", expected="0 to 100 % MVC", found=f"{contraction_pct:g}")


def _nerve(pathway: Pathway, current_ma: float, lapse: Lapse, rng: Rng) -> Potentials:
    if math.isnan(pathway.axon_ma):
        raise UsageError(
            f"no nerve of {pathway.site.channel} is practical to reach",
            expected="a magnetic pulse",
            found="a nerve pulse",
            do="use a protocol with a hand or forearm muscle",
        )
    return fire_by_nerve(pathway, current_ma, rng) if lapse.fired and current_ma > 0 else NO_POTENTIALS


def _cortical(
    pathway: Pathway, stimulus: Stimulus, moved: float, chance: Array, held: float, lapse: Lapse, rng: Rng
) -> tuple[Potentials, Potentials]:
    """Responses to the conditioning and the test pulse; the second chance is half the first's in a pair."""
    resting = np.zeros(pathway.pool.threshold.size, dtype=bool)
    reached = pathway.threshold_mso / lapse.reach
    test_drive = drive_of(stimulus.intensity_mso, reached) + moved
    if stimulus.stim_type == "single":
        return NO_POTENTIALS, fire_by_cortex(pathway, test_drive + chance[0], 0.0, held, rng, resting)
    isi_ms = stimulus.isi_ms + lapse.isi_error_ms
    cond_drive = drive_of(stimulus.cond_intensity_mso, reached) + moved
    first = fire_by_cortex(pathway, cond_drive + chance[0], -isi_ms, held, rng, resting)
    if isi_ms < REFRACTORY_MS:
        resting[first.unit] = True
    conditioned = conditioning_shift(pathway, stimulus, lapse.reach) * rest_share(held, pathway.rest_gain)
    test_drive += conditioned + 0.6 * chance[0] + 0.8 * chance[1]
    return first, fire_by_cortex(pathway, test_drive, 0.0, held, rng, resting)


def _background(
    pathway: Pathway, stimulus: Stimulus, held: float, span_ms: tuple[float, float], lapse: Lapse, rng: Rng
) -> tuple[Potentials, float]:
    """Discharges of the contraction, and the start of the first one after the silence (NaN without one)."""
    n = pathway.pool.threshold.size
    start = span_ms[0] + rng.uniform(-200.0, 0.0, n)
    stop = span_ms[1] + rng.uniform(0.0, 200.0, n)
    silence = _silence(pathway, stimulus, lapse, rng)
    if silence is None:
        return fire_by_will(pathway.pool, held, start, stop, rng), math.nan
    begin_ms, end_ms = silence
    back = end_ms + rng.exponential(RETURN_MS, n)
    before = fire_by_will(pathway.pool, held, start, begin_ms, rng)
    after = fire_by_will(pathway.pool, held, back, stop, rng)
    return before.joined(after), float(after.start_ms.min()) if after.unit.size else math.nan


def _silence(pathway: Pathway, stimulus: Stimulus, lapse: Lapse, rng: Rng) -> tuple[float, float] | None:
    """When activity stops and when it starts to return, over all magnetic pulses; None where nothing is silenced."""
    if stimulus.stim_type == "nerve" or not lapse.fired:
        return None
    spells = []
    for pulse in stimulus.pulses:
        lasts = silence_until_ms(pathway, pulse.intensity_mso * lapse.reach)
        if lasts > 0:
            spells.append(
                (
                    pulse.at_ms + pathway.base_ms - 1.0,
                    pulse.at_ms + lasts * math.exp(SILENCE_CV * rng.standard_normal()),
                )
            )
    if not spells:
        return None
    return min(begin for begin, _ in spells), max(end for _, end in spells)


def _size(pathway: Pathway, potentials: Potentials) -> float:
    if potentials.unit.size == 0:
        return 0.0
    from_ms = float(potentials.start_ms.min()) - 0.1
    until_ms = float((potentials.start_ms + pathway.pool.width_ms[potentials.unit]).max())
    wave = draw_potentials(pathway.pool, potentials, from_ms, 20.0, int((until_ms - from_ms) * 20.0) + 2)
    return float(np.ptp(wave))
