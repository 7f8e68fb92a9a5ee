"""What a pulse does to the way from cortex to muscle: drive, timing, conditioning, silence.

Drive is the logarithm of intensity over threshold plus everything that moves excitability, so that one fluctuation makes
sizes vary much near threshold and little near the plateau. All curves are our own; their landmarks are named beside them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from decussa.source.virtual.anatomy import (
    ABSENT_SHARE,
    ABSENT_THRESHOLD,
    IPSILATERAL_LATER_MS,
    IPSILATERAL_THRESHOLD,
    Anatomy,
    Range,
    log_normal,
)
from decussa.source.virtual.character import Character
from decussa.source.virtual.coil import Spot, draw_spot
from decussa.source.virtual.montage import Site
from decussa.source.virtual.pool import (
    PERIPHERAL,
    UNIT_JITTER,
    Array,
    Pool,
    Potentials,
    draw_pool,
    draw_weighted,
)
from decussa.source.virtual.recruitment import (
    BEND,
    REST_GAIN,
    REST_GAIN_SD,
    ROOM,
    drive_to_recruit,
    gain_at,
    recruit,
)

Rng = np.random.Generator

#: Fluctuation of excitability from pulse to pulse, and amplitude of its slow drift, in log intensity.
FLUCTUATION = 0.048
DRIFT = 0.012
#: Share of the fluctuation that all muscles have in common.
COMMON = 0.7
#: Contraction steadies excitability by this factor at most.
STEADY = 0.75
#: Extra time to discharge at rest, where motor neurones must sum several volleys: contraction shortens latency by 2 to 4 ms
#: (23.3 to 19.9 ms in APB, Somatosens Mot Res 2013, 30:201, doi 10.3109/08990220.2013.796922).
REST_DELAY_MS = 1.6
#: Time to discharge of a unit that is only just fired, and the excess of drive that shortens it.
WAIT_MS = 2.2
WAIT_DRIVE = 0.12
#: A unit that fired does not fire again within this time.
REFRACTORY_MS = 12.0
#: Correlation that makes the silent periods of two sides of a person differ by some 15 ms at most (Rev Neurol 1999,
#: doi 10.33588/rn.2803.98238), where people differ by 30 (Fritz 1997, doi 10.1016/S0924-980X(97)96675-3).
SIDES_ALIKE = 0.998
#: The criterion that defines thresholds: 50 µV at rest (Rossini 1994, doi 10.1016/0013-4694(94)90029-9), 200 µV in contraction.
REST_CRITERION_UV = 50.0
ACTIVE_CRITERION_UV = 200.0
#: Contraction at which truths for the active muscle are stated, in % MVC.
ACTIVE_PCT = 15.0

_DRIVES = np.linspace(-0.25, 1.0, 61)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pathway:
    """A person's way to one muscle.

    Parameters
    ----------
    site : Site
        Muscle, side, and whether the response is ipsilateral.
    pool : Pool
        Its motor units.
    threshold_mso : float
        Resting threshold: the intensity whose median response is 50 µV.
    offset : float
        Pool drive that gives 50 µV.
    rest_gain : float
        How steeply drive recruits at rest; see ``recruitment``.
    base_ms : float
        Time from pulse to the earliest possible potential.
    silence_ms, inhibition, facilitation, long_inhibition, contraction_gain : float
        This person's strength of each effect; see ``Anatomy``.
    tone_pct : float
        Contraction at rest that cannot be let go of, in % MVC.
    spot : Spot
        Where the coil reaches the muscle best.
    m_latency_ms, axon_ma : float
        NaN where no nerve is practical to reach.
    sizes_uv : ndarray, shape of the module's drive grid
        Peak-to-peak of the mean response at each drive.
    """

    site: Site
    pool: Pool
    threshold_mso: float
    offset: float
    rest_gain: float
    base_ms: float
    silence_ms: float
    inhibition: float
    facilitation: float
    long_inhibition: float
    contraction_gain: float
    tone_pct: float
    spot: Spot
    m_latency_ms: float
    axon_ma: float
    sizes_uv: Array

    @property
    def anatomy(self) -> Anatomy:
        """The muscle across people."""
        return self.site.anatomy

    def drive(self, intensity_mso: float, contraction_pct: float) -> float:
        """Return the mean drive of a single pulse, 0 at the threshold of a muscle at rest."""
        return drive_of(intensity_mso, self.threshold_mso) + contraction_boost(self, contraction_pct)

    def recruited(self, drive: float, contraction_pct: float) -> float:
        """Return the drive that reaches the pool of a muscle that holds a contraction."""
        return self.offset + recruit(drive, gain_at(contraction_pct, self.rest_gain))

    def size_uv(self, drive: float, contraction_pct: float) -> float:
        """Return the size of the mean response at ``drive``, in µV."""
        return float(np.interp(self.recruited(drive, contraction_pct), _DRIVES, self.sizes_uv))

    @property
    def plateau_uv(self) -> float:
        """The size that the mean response cannot exceed, in µV."""
        return float(np.interp(self.offset + BEND + ROOM, _DRIVES, self.sizes_uv))

    def intensity_for(self, size_uv: float, contraction_pct: float = 0.0) -> float:
        """Return the intensity, in % MSO, whose mean response has ``size_uv``; it may be above 100."""
        recruited = float(np.interp(size_uv, self.sizes_uv, _DRIVES)) - self.offset
        drive = drive_to_recruit(recruited, gain_at(contraction_pct, self.rest_gain))
        return self.threshold_mso * math.exp(drive - contraction_boost(self, contraction_pct))


def draw_pathway(
    site: Site, height_cm: float, better: Array, character: Character, rng: Rng, place_rng: Rng
) -> Pathway:
    """Draw one person's pathway to ``site``.

    ``better`` holds three standard normal numbers that both sides of a person share: threshold, conduction and silence.
    """
    anatomy = site.anatomy
    pool = draw_pool(
        anatomy, max(rng.normal(anatomy.full_uv.mean, anatomy.full_uv.sd), 0.3 * anatomy.full_uv.mean), rng
    )
    mean, sd = log_normal(anatomy.threshold_mso)
    worse = IPSILATERAL_THRESHOLD * math.exp(abs(rng.normal(0.0, 0.02))) if site.ipsilateral else 1.0
    spot = draw_spot(site, place_rng)
    if site.is_affected and place_rng.random() < ABSENT_SHARE:
        worse *= ABSENT_THRESHOLD
    tall = anatomy.per_cm_ms * (height_cm - 172.0)
    spread = math.sqrt(anatomy.active_latency_ms.sd**2 - (9.0 * anatomy.per_cm_ms) ** 2)
    later = IPSILATERAL_LATER_MS - 0.8 if site.ipsilateral else -0.8 if anatomy.key == "LES" else 0.0
    latency = anatomy.active_latency_ms.mean + tall + spread * better[1] + later
    sizes = np.maximum.accumulate([_mean_size(pool, drive) for drive in _DRIVES]) + 1e-6 * np.arange(_DRIVES.size)
    pathway = Pathway(
        site=site,
        pool=pool,
        threshold_mso=math.exp(mean + sd * better[0]) * worse * character.threshold,
        offset=float(np.interp(REST_CRITERION_UV, sizes, _DRIVES)),
        base_ms=0.0,
        silence_ms=_draw_silence(anatomy.silence_ms, better[2], rng),
        inhibition=rng.normal(anatomy.inhibition.mean, anatomy.inhibition.sd) * character.inhibition,
        facilitation=rng.normal(anatomy.facilitation.mean, anatomy.facilitation.sd),
        long_inhibition=rng.normal(anatomy.long_inhibition.mean, anatomy.long_inhibition.sd) * character.inhibition,
        contraction_gain=anatomy.contraction_gain + character.contraction_gain,
        tone_pct=abs(place_rng.normal(anatomy.tone_pct.mean, anatomy.tone_pct.sd)),
        rest_gain=REST_GAIN * math.exp(REST_GAIN_SD * place_rng.standard_normal()),
        spot=spot,
        m_latency_ms=_draw(anatomy.m_latency_ms, rng),
        axon_ma=_draw(anatomy.axon_ma, rng),
        sizes_uv=sizes,
    )
    return replace(pathway, base_ms=latency - mean_latency_ms(pathway, 1.2 * pathway.threshold_mso, ACTIVE_PCT))


def _draw(spread: Range | None, rng: Rng) -> float:
    return math.nan if spread is None else float(rng.normal(spread.mean, spread.sd))


def _draw_silence(spread: Range, shared: float, rng: Rng) -> float:
    """Draw a silent period: people differ by far more than the two sides of a person (Fritz 1997)."""
    drawn = spread.mean + spread.sd * (SIDES_ALIKE * shared + math.sqrt(1 - SIDES_ALIKE**2) * rng.standard_normal())
    return float(max(drawn, 0.4 * spread.mean))


def _mean_size(pool: Pool, drive: float) -> float:
    """Peak-to-peak of the response in which every unit takes part with its probability."""
    excess = drive - pool.threshold
    chance = _normal_cdf(excess / UNIT_JITTER)
    unit = np.flatnonzero(chance > 1e-3)
    start = pool.travel_ms[unit] + wait_ms(excess[unit])
    return float(np.ptp(draw_weighted(pool, Potentials(unit, start), chance[unit], 0.0, 4.0, 120)))


def _normal_cdf(x: Array) -> Array:
    return np.asarray(0.5 * (1.0 + np.vectorize(math.erf, otypes=[np.float64])(x / math.sqrt(2.0))))


def mean_latency_ms(pathway: Pathway, intensity_mso: float, contraction_pct: float) -> float:
    """Return the start of the earliest unit that a typical pulse fires; NaN where it fires none."""
    recruited = pathway.recruited(pathway.drive(intensity_mso, contraction_pct), contraction_pct)
    excess = recruited - pathway.pool.threshold
    fired = excess > 0
    if not fired.any():
        return math.nan
    start = pathway.pool.travel_ms[fired] + wait_ms(excess[fired])
    return pathway.base_ms + rest_delay_ms(contraction_pct) + float(start.min())


def drive_of(intensity_mso: float, threshold_mso: float) -> float:
    """Return log intensity over threshold; minus infinity for no pulse."""
    return math.log(intensity_mso) - math.log(threshold_mso) if intensity_mso > 0 else -math.inf


def contraction_boost(pathway: Pathway, contraction_pct: float) -> float:
    """Return the drive that contraction adds.

    Threshold is lowest from 10 to 20 % (Devanne 1997, doi 10.1007/PL00005641), and even 9 µV of background make responses a
    third likelier (preprint 2025 on very low amplitude muscle activity).
    """
    return pathway.contraction_gain * -math.expm1(-contraction_pct / 3.0)


def rest_delay_ms(contraction_pct: float) -> float:
    """Return the extra latency of a resting muscle, in ms."""
    return REST_DELAY_MS * math.exp(-contraction_pct / 4.0)


def wait_ms(excess: Array) -> Array:
    """Return the time to discharge of units whose threshold is exceeded by ``excess``, in ms."""
    return np.asarray(WAIT_MS * np.exp(-np.maximum(excess, 0.0) / WAIT_DRIVE))


def active_threshold_mso(pathway: Pathway) -> float:
    """Return the intensity whose mean response is 200 µV during contraction, in % MSO."""
    return pathway.intensity_for(ACTIVE_CRITERION_UV, ACTIVE_PCT)


def drift(number: int, phases: Array) -> float:
    """Return the slow part of excitability at a pulse: waves over some 40 and 100 pulses."""
    return DRIFT * float(np.sin(2 * np.pi * number / 97 + phases[0]) + np.sin(2 * np.pi * number / 41 + phases[1]))


def fire_by_cortex(
    pathway: Pathway, drive: float, at_ms: float, contraction_pct: float, rng: Rng, spent: NDArray[np.bool_]
) -> Potentials:
    """Return the discharges after one magnetic pulse at ``at_ms``; ``spent`` units are still refractory."""
    pool = pathway.pool
    excess = (
        pathway.recruited(drive, contraction_pct) - pool.threshold + rng.normal(0.0, UNIT_JITTER, pool.threshold.size)
    )
    jitter = rng.normal(0.0, 0.2) + np.abs(rng.normal(0.0, 0.2, pool.threshold.size))
    unit = np.flatnonzero((excess > 0) & ~spent)
    start = at_ms + pathway.base_ms + rest_delay_ms(contraction_pct) + pool.travel_ms + wait_ms(excess) + jitter
    return Potentials(unit, start[unit])


def fire_by_nerve(pathway: Pathway, current_ma: float, rng: Rng) -> Potentials:
    """Return the discharges after a pulse of ``current_ma`` to the nerve, the M-wave alone."""
    pool = pathway.pool
    share = current_ma / pathway.axon_ma * math.exp(rng.normal(0.0, 0.02))
    unit = np.flatnonzero(pool.axon < share)
    return Potentials(unit, pathway.m_latency_ms + PERIPHERAL * pool.travel_ms[unit])
