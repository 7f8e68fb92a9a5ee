"""Motor threshold from the fewest pulses: what to give next, what was learnt, what is known, when to stop."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from decussa.estimate.threshold import belief, posterior
from decussa.estimate.threshold.belief import Belief, Lesson
from decussa.estimate.threshold.prior import Prior, earlier_prior, population_prior
from decussa.estimate.threshold.pulse import check_intensity, check_outcome, positive
from decussa.model.errors import UsageError
from decussa.model.estimate import Estimate

Floats = NDArray[np.float64]

#: Criteria in uV: at rest after Rossini 1994, doi 10.1016/0013-4694(94)90029-9; active is common practice, no source.
RESTING_UV, ACTIVE_UV = 50.0, 200.0
#: Sizes up to this multiple of what noise alone gives say only that the response is smaller.
FLOOR_OVER_NOISE = 1.5
#: The same where the noise is not told, as a share of the criterion.
FLOOR_OVER_CRITERION = 0.5
#: Sizes from this multiple of the criterion on say only that they are larger: far up, the curve bends.
CEILING_OVER_CRITERION = 8.0
#: At most this many intensities are weighed against each other, within this many SDs of the posterior mean.
MOST_CANDIDATES, CANDIDATES_WITHIN_SD = 13, 2.0
#: Values of ln(size / criterion) between which outcomes are told apart when the next intensity is chosen.
SIZE_EDGES: Floats = np.log([FLOOR_OVER_CRITERION, 1.0, 2.0, CEILING_OVER_CRITERION])
YES_NO_EDGES: Floats = np.zeros(1)
LEVEL = 0.95


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """All that is known about one threshold; the belief follows from the other fields."""

    prior: Prior
    criterion_uv: float
    active: bool
    step_mso: float
    rise_mso: float
    ceiling_mso: float
    lessons: tuple[Lesson, ...] = ()
    belief: Belief = field(compare=False, repr=False)

    @property
    def n(self) -> int:
        """Number of pulses so far."""
        return len(self.lessons)


def start(
    *,
    muscle: str | None = None,
    active: bool = False,
    criterion_uv: float | None = None,
    prior: Estimate | None = None,
    step_mso: float = 1,
    rise_mso: float = 20,
    ceiling_mso: float = 100,
) -> State:
    """Begin a hunt: what is known before the first pulse, and what may be given.

    Parameters
    ----------
    muscle : str, optional
        Muscle as labs write it; its region chooses the population's prior.
    active : bool
        Whether the muscle is held contracted.
    criterion_uv : float, optional
        Size that counts as a response, raw peak-to-peak in uV; 50 at rest, 200 active.
    prior : Estimate, optional
        Threshold found in an earlier session, % MSO; takes the place of the population.
    step_mso, ceiling_mso : float
        Smallest step of the device, and highest intensity ever suggested, % MSO.
    rise_mso : float
        A suggestion is at most this far above the strongest pulse given so far, % MSO.

    Raises
    ------
    UsageError
        If a setting cannot be meant.
    """
    if criterion_uv is None:
        criterion_uv = ACTIVE_UV if active else RESTING_UV
    known = earlier_prior(prior) if prior is not None else population_prior(muscle, active=active)
    ceiling_mso = positive("ceiling_mso", check_intensity(ceiling_mso), "% MSO")
    step_mso = positive("step_mso", step_mso, "% MSO")
    if step_mso > ceiling_mso:
        raise UsageError(
            "the step leaves no intensity to give", where="step_mso", expected=f"up to {ceiling_mso:g} % MSO"
        )
    return State(
        prior=known,
        criterion_uv=positive("criterion_uv", criterion_uv, "uV"),
        active=active,
        step_mso=step_mso,
        rise_mso=positive("rise_mso", rise_mso, "% MSO"),
        ceiling_mso=ceiling_mso,
        belief=belief.begin(known),
    )


def suggest(state: State) -> float:
    """Return the intensity that is expected to tell most about the threshold, % MSO.

    A whole number of device steps, no higher than the ceiling and than ``rise_mso`` above the strongest pulse so far.
    Expected information after Lindley 1956, Ann Math Stat 27:986, about the threshold alone; sizes count as five
    classes once a size has been told, as yes and no before.
    """
    candidates = _candidates(state)
    edges = SIZE_EDGES if any(lesson.kind == posterior.SIZE for lesson in state.lessons) else YES_NO_EDGES
    gain = posterior.expected_information(candidates, edges, *belief.condense(state.belief))
    return float(candidates[int(np.argmax(gain))])


def learn(
    state: State,
    intensity_mso: float,
    amplitude_uv: float | None = None,
    *,
    response: bool | None = None,
    noise_uv: float | None = None,
) -> State:
    """Return the state after one pulse.

    Parameters
    ----------
    intensity_mso : float
        What was given, 0 to 100 % MSO; it need not be what was suggested.
    amplitude_uv : float, optional
        Size of the response, raw peak-to-peak in uV, above 0.
    response : bool, optional
        Whether there was a response of at least the criterion, where no size is known.
    noise_uv : float, optional
        Peak-to-peak that noise and background alone would give, uV. A size up to 1.5 times that is learnt as "no larger".
        Where it is left out, the same holds up to half the criterion.

    Raises
    ------
    UsageError
        If the intensity is out of range, the size is 0, negative or not a number, or size and answer contradict.
    """
    intensity_mso = check_intensity(intensity_mso)
    check_outcome(amplitude_uv, response, noise_uv, criterion_uv=state.criterion_uv)
    if amplitude_uv is None:
        lesson = Lesson(intensity_mso, posterior.ABOVE if response else posterior.BELOW, 0.0)
    else:
        lesson = _lesson_from_size(intensity_mso, amplitude_uv, noise_uv, state.criterion_uv)
    lessons = (*state.lessons, lesson)
    return replace(state, lessons=lessons, belief=belief.take_in(state.belief, state.prior, lessons))


def summary(state: State) -> Estimate:
    """Return the threshold in % MSO: posterior mean, central 95 % interval, number of pulses.

    The threshold is the intensity at which P(size >= criterion) = 0.5. There is always a number; before the first pulse
    it is the prior's mean. ``reason`` says what limits it: no response up to an intensity, or responses to every pulse.
    """
    mean_mso, _ = belief.mean_and_sd(state.belief)
    low_mso, high_mso = belief.interval(state.belief, LEVEL)
    kept = "active" if state.active else "resting"
    return Estimate(
        value=mean_mso,
        low=low_mso,
        high=high_mso,
        level=LEVEL,
        n=state.n,
        method=f"posterior mean and quantiles, {kept}, {state.criterion_uv:g} uV, prior: {state.prior.origin}",
        reason=_limit(state),
    )


def probability_above(state: State, intensity_mso: float) -> float:
    """Return the probability that the threshold lies above an intensity (% MSO)."""
    mass, grid_mso = state.belief.mass(), state.belief.t_mso
    beyond = np.cumsum(mass[::-1])[::-1]
    edges = np.sqrt(grid_mso[:-1] * grid_mso[1:])
    return float(np.interp(intensity_mso, edges, beyond[1:], left=1.0, right=0.0))


def density(state: State, points: int = 61) -> tuple[Floats, Floats]:
    """Return the posterior for drawing, each of shape (points,): thresholds in % MSO, ascending, and density per % MSO.

    Thresholds beyond 3.5 SDs of the posterior are left out.
    """
    mean_mso, sd_mso = belief.mean_and_sd(state.belief)
    at_mso = np.linspace(max(mean_mso - 3.5 * sd_mso, 0.0), mean_mso + 3.5 * sd_mso, points)
    grid_mso = state.belief.t_mso
    per_mso = state.belief.mass() / np.gradient(grid_mso)
    return at_mso, np.interp(at_mso, grid_mso, per_mso, left=0.0, right=0.0)


def done(state: State, half_width_mso: float = 3.0, budget: int = 40) -> bool:
    """Return whether the 95 % interval is within ``half_width_mso`` (% MSO) to each side, or ``budget`` pulses are spent."""
    positive("half_width_mso", half_width_mso, "% MSO")
    low_mso, high_mso = belief.interval(state.belief, LEVEL)
    return state.n >= budget or (high_mso - low_mso) / 2 <= half_width_mso


def _candidates(state: State) -> Floats:
    """Return the intensities worth weighing, ascending, % MSO."""
    mean_mso, sd_mso = belief.mean_and_sd(state.belief)
    highest = state.ceiling_mso
    if state.lessons:
        highest = min(highest, max(lesson.intensity_mso for lesson in state.lessons) + state.rise_mso)
    top = math.floor(highest / state.step_mso + 1e-9)
    low = min(top, max(0, math.floor((mean_mso - CANDIDATES_WITHIN_SD * sd_mso) / state.step_mso)))
    high = min(top, math.ceil((mean_mso + CANDIDATES_WITHIN_SD * sd_mso) / state.step_mso))
    every = max(1, math.ceil((high - low) / (MOST_CANDIDATES - 1)))
    # counted down from the top, so that the highest intensity allowed is always among them
    return np.arange(high, low - 1, -every, dtype=np.float64)[::-1] * state.step_mso


def _lesson_from_size(intensity_mso: float, amplitude_uv: float, noise_uv: float | None, criterion_uv: float) -> Lesson:
    """Return what a size teaches: itself between floor and ceiling, beyond them only that it is beyond."""
    floor_uv = FLOOR_OVER_CRITERION * criterion_uv if noise_uv is None else FLOOR_OVER_NOISE * noise_uv
    ceiling_uv = max(CEILING_OVER_CRITERION * criterion_uv, floor_uv)
    if amplitude_uv <= floor_uv:
        return Lesson(intensity_mso, posterior.BELOW, math.log(floor_uv / criterion_uv))
    if amplitude_uv >= ceiling_uv:
        return Lesson(intensity_mso, posterior.ABOVE, math.log(ceiling_uv / criterion_uv))
    return Lesson(intensity_mso, posterior.SIZE, math.log(amplitude_uv / criterion_uv))


def _limit(state: State) -> str:
    """Return what keeps the threshold from being closed in on both sides, or an empty string."""
    if not state.lessons:
        return "no pulse yet: the prior"
    given = [lesson.intensity_mso for lesson in state.lessons]
    if not any(_is_response(lesson) for lesson in state.lessons):
        return f"no response up to {max(given):g} % MSO, {state.n} pulses"
    if all(_is_response(lesson) for lesson in state.lessons):
        return f"a response to every pulse down to {min(given):g} % MSO, {state.n} pulses"
    return ""


def _is_response(lesson: Lesson) -> bool:
    return lesson.kind != posterior.BELOW and lesson.log_ratio >= 0
