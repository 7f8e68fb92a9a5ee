"""Relative frequency: the lowest intensity that evokes responses in at least 5 of 10 pulses.

Rossini 1994, Electroencephalogr Clin Neurophysiol 91:79, doi 10.1016/0013-4694(94)90029-9. The search starts clearly
above threshold and goes down until a level fails; a start that fails is raised first. A level ends as soon as its
outcome is certain.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType

from decussa.estimate.threshold.pulse import check_intensity, positive, seen
from decussa.model.errors import UsageError
from decussa.model.estimate import Estimate

NEEDED, OUT_OF = 5, 10
#: A start that was too low is raised by this much, % MSO.
RAISE_MSO = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """Counts of responses and of pulses without, by level, and the level in hand (% MSO)."""

    criterion_uv: float
    step_mso: float
    level_mso: float
    counts: Mapping[float, tuple[int, int]] = field(default_factory=lambda: MappingProxyType({}))

    @property
    def n(self) -> int:
        """Number of pulses so far."""
        return sum(yes + no for yes, no in self.counts.values())


def start(*, start_mso: float, step_mso: float = 1, criterion_uv: float = 50) -> State:
    """Begin at ``start_mso`` (% MSO), which should lie clearly above threshold, to go down by ``step_mso``."""
    return State(
        criterion_uv=positive("criterion_uv", criterion_uv, "uV"),
        step_mso=positive("step_mso", step_mso, "% MSO"),
        level_mso=check_intensity(start_mso),
    )


def suggest(state: State) -> float:
    """Return the intensity to give next, % MSO; when done, the level that ended the search."""
    return state.level_mso


def learn(
    state: State, intensity_mso: float, amplitude_uv: float | None = None, *, response: bool | None = None
) -> State:
    """Return the state after a pulse at the level in hand: its size in uV, or whether there was a response.

    Raises
    ------
    UsageError
        If the pulse was not given at the level in hand, the search is done, or the outcome cannot be meant.
    """
    if done(state):
        raise UsageError("the search is done", expected="no further pulse", do="read its summary")
    if check_intensity(intensity_mso) != state.level_mso:
        raise UsageError(
            "5 of 10 counts pulses at one level",
            where="intensity_mso",
            expected=f"{state.level_mso:g} % MSO",
            found=f"{intensity_mso:g}",
        )
    yes, no = state.counts.get(state.level_mso, (0, 0))
    answer = seen(amplitude_uv, response, criterion_uv=state.criterion_uv)
    counts = MappingProxyType({**state.counts, state.level_mso: (yes + answer, no + (not answer))})
    return _move(replace(state, counts=counts))


def done(state: State) -> bool:
    """Return whether the lowest level that passes is known, or 100 % MSO has failed."""
    passed = _passed(state)
    if not passed:
        return _has_failed(state, 100.0)
    return min(passed) == 0 or _has_failed(state, _below(state, min(passed)))


def summary(state: State) -> Estimate:
    """Return the lowest level that passed, % MSO; NaN with the reason while there is none. The rule has no interval."""
    method = f"relative frequency, {NEEDED} of {OUT_OF} at {state.criterion_uv:g} uV, {state.step_mso:g} % MSO steps"
    if not done(state):
        return Estimate(n=state.n, method=method, reason="search is not finished")
    if not _passed(state):
        return Estimate(n=state.n, method=method, reason=f"no {NEEDED} of {OUT_OF} responses up to 100 % MSO")
    return Estimate(value=min(_passed(state)), n=state.n, method=method, reason="the rule gives no interval")


def _passed(state: State) -> list[float]:
    return [level for level, (yes, _) in state.counts.items() if yes >= NEEDED]


def _has_failed(state: State, level_mso: float) -> bool:
    return state.counts.get(level_mso, (0, 0))[1] > OUT_OF - NEEDED


def _below(state: State, level_mso: float) -> float:
    return max(0.0, level_mso - state.step_mso)


def _move(state: State) -> State:
    """Return the state at the level that comes next."""
    yes, _ = state.counts[state.level_mso]
    if yes >= NEEDED and not done(state):
        return replace(state, level_mso=_below(state, state.level_mso))
    if _has_failed(state, state.level_mso) and not _passed(state):
        return replace(state, level_mso=min(100.0, state.level_mso + RAISE_MSO))
    return state
