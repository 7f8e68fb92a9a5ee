"""What is true of one muscle of a virtual participant, worked out from its own physiology."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from decussa.model.stimulus import Stimulus
from decussa.source.virtual.coil import Coil, reach
from decussa.source.virtual.conditioning import conditioning_shift
from decussa.source.virtual.cortex import (
    ACTIVE_PCT,
    FLUCTUATION,
    Pathway,
    active_threshold_mso,
    contraction_boost,
    mean_latency_ms,
)
from decussa.source.virtual.pool import PERIPHERAL, Potentials, contraction_rms_uv, draw_potentials
from decussa.source.virtual.recorder import Electrodes
from decussa.source.virtual.response import ResponseTruth
from decussa.source.virtual.silence import return_lag_ms, silence_until_ms

#: Intensity at which truths are stated, as a share of the resting threshold.
STATED_AT = 1.2
#: Conditioning by strong pulses is stated for a pair of equal pulses this far above threshold.
LONG_COND = 1.2


@dataclass(frozen=True, slots=True, kw_only=True)
class MuscleTruth:
    """What is true of one muscle; NaN where it does not exist, infinite never.

    Parameters
    ----------
    rest_threshold_mso, active_threshold_mso : float
        Intensity whose typical response is 50 µV at rest, 200 µV at 15 % MVC. They may be above 100: then none is obtainable.
    mep_uv : float
        Typical response at 120 % of the resting threshold, at rest.
    mep_max_uv : float
        Plateau of the recruitment curve; at rest no pulse reaches it in many people.
    mmax_uv : float
        All units by the nerve.
    latency_rest_ms, latency_active_ms : float
        At 120 % of the resting threshold.
    silent_period_ms : float
        From the start of the response to the return of activity, at 120 % of the resting threshold and 15 % MVC.
    sici_ratio, icf_ratio, lici_ratio : float
        Mean conditioned over mean unconditioned size for a test pulse at 120 %: best conditioning intensity and 3 or 12 ms;
        two pulses of 120 % and 100 ms.
    noise_uv : float
        RMS of the recording at rest without mains and heart.
    mvc_uv : float
        RMS of the EMG of a maximal contraction.
    hotspot_x_cm, hotspot_y_cm : float
        Where the coil reaches the muscle best, to the right and to the front of the vertex.
    """

    muscle: str
    side: str
    rest_threshold_mso: float
    active_threshold_mso: float
    mep_uv: float
    mep_max_uv: float
    mmax_uv: float
    latency_rest_ms: float
    latency_active_ms: float
    silent_period_ms: float
    sici_ratio: float
    icf_ratio: float
    lici_ratio: float
    noise_uv: float
    mvc_uv: float
    hotspot_x_cm: float
    hotspot_y_cm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PersonTruth:
    """What is true of a virtual participant, for tests and the debrief only.

    ``muscles`` is by channel name, such as ``FDI right``; ``target`` names the channel the protocol is about; ``hard`` says
    what makes the person hard to record, empty for most; ``tolerance_mso`` is the test intensity that is rated 5 of 10.
    """

    seed: int
    protocol: str
    height_cm: float
    age: int
    sex: str
    handedness: str
    target: str
    hard: str
    tolerance_mso: float
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


def muscle_truth(pathway: Pathway, electrodes: Electrodes, shift: float) -> MuscleTruth:
    """Return the truth of one muscle in a state that moves its drive by ``shift``."""
    moved = math.exp(-shift)
    threshold = pathway.threshold_mso * moved * math.exp(-contraction_boost(pathway, pathway.tone_pct))
    test = STATED_AT * threshold
    active_latency = mean_latency_ms(pathway, test / moved, ACTIVE_PCT)
    return MuscleTruth(
        muscle=pathway.anatomy.key,
        side=pathway.site.side,
        rest_threshold_mso=threshold,
        active_threshold_mso=active_threshold_mso(pathway) * moved,
        mep_uv=pathway.size_uv(pathway.drive(test / moved, pathway.tone_pct), pathway.tone_pct),
        mep_max_uv=pathway.plateau_uv,
        mmax_uv=_m_max(pathway),
        latency_rest_ms=mean_latency_ms(pathway, test / moved, pathway.tone_pct),
        latency_active_ms=active_latency,
        silent_period_ms=silence_until_ms(pathway, test) + return_lag_ms(pathway, ACTIVE_PCT) - active_latency,
        sici_ratio=_ratio(pathway, pathway.anatomy.cond_best, 3.0),
        icf_ratio=_ratio(pathway, pathway.anatomy.cond_best, 12.0),
        lici_ratio=_ratio(pathway, LONG_COND, 100.0),
        noise_uv=electrodes.noise_uv,
        mvc_uv=contraction_rms_uv(pathway.pool, 100.0),
        hotspot_x_cm=pathway.spot.x_cm,
        hotspot_y_cm=pathway.spot.y_cm,
    )


def threshold_where(
    pathway: Pathway, shift: float, site_cm: tuple[float, float], contraction_pct: float, criterion_uv: float
) -> float:
    """Return the threshold in % MSO of a coil held at a site, at rest or in a contraction; ``shift`` is that of the state."""
    best = (
        pathway.intensity_for(criterion_uv, contraction_pct)
        if contraction_pct
        else pathway.threshold_mso * math.exp(-contraction_boost(pathway, pathway.tone_pct))
    )
    return best * math.exp(-shift) / _reach_from(pathway, site_cm)


def silent_period_where(
    pathway: Pathway, shift: float, site_cm: tuple[float, float], contraction_pct: float, intensity_mso: float
) -> float:
    """Return the silent period in ms, from MEP onset to the first unit seen again, of a pulse given at a site."""
    reached = intensity_mso * _reach_from(pathway, site_cm)
    ends = silence_until_ms(pathway, reached) + return_lag_ms(pathway, contraction_pct)
    return ends - mean_latency_ms(pathway, reached * math.exp(shift), contraction_pct)


def _reach_from(pathway: Pathway, site_cm: tuple[float, float]) -> float:
    return reach(pathway.spot, Coil(*site_cm), pathway.anatomy.reach_cm)


def _ratio(pathway: Pathway, cond_share: float, isi_ms: float) -> float:
    """Mean conditioned over mean unconditioned size, averaged over the fluctuation of excitability."""
    cond = min(cond_share * pathway.threshold_mso, 100.0)
    pair = Stimulus.paired(cond, 50.0, isi_ms)
    drive = pathway.drive(STATED_AT * pathway.threshold_mso, 0.0)
    nodes, weights = np.polynomial.hermite_e.hermegauss(21)
    alone = [pathway.size_uv(drive + FLUCTUATION * node, 0.0) for node in nodes]
    shift = conditioning_shift(pathway, pair)
    conditioned = [pathway.size_uv(drive + shift + FLUCTUATION * node, 0.0) for node in nodes]
    return float(weights @ np.array(conditioned) / (weights @ np.array(alone)))


def _m_max(pathway: Pathway) -> float:
    if math.isnan(pathway.axon_ma):
        return math.nan
    every = np.arange(pathway.pool.threshold.size)
    wave = draw_potentials(pathway.pool, Potentials(every, PERIPHERAL * pathway.pool.travel_ms), 0.0, 20.0, 800)
    return float(np.ptp(wave))
