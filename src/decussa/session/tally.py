"""What a session has given so far: a fold over its dialogue, from which the limits are checked."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from decussa.model.dialogue import Answer, Ask, Deliver, Lost, Refused, Reply, Request, Trial
from decussa.quality.verdict import ARTIFACT_SHARE

#: So many earlier trials of a kind are asked before they say whether an artifact is to be expected.
FEWEST_EARLIER = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Tally:
    """Counts and highest levels.

    ``stimuli`` counts stimuli heard by the source, ``pulses`` their pulses (a pair is two) and those that nobody asked for.
    ``tolerated_mso`` is the highest test intensity given and not objected to, ``too_much_mso`` the lowest that was objected
    to, ``last_mso`` the test intensity of the last magnetic stimulus. Times are in seconds on the session's clock; -1 is
    "none yet". ``artifacts`` holds, by muscle and kind of stimulus, in how many measured trials the stimulus artifact was
    seen, and of how many.
    """

    stimuli: int = 0
    pulses: int = 0
    kept: int = 0
    doubtful: int = 0
    rejected: int = 0
    lost: int = 0
    refused: int = 0
    tolerated_mso: float = 0.0
    too_much_mso: float = math.inf
    last_mso: float = 0.0
    first_s: float = -1.0
    last_s: float = -1.0
    artifacts: Mapping[str, tuple[int, int]] = field(default_factory=dict)

    def expects_artifact(self, request: Deliver) -> bool:
        """Whether earlier trials of this kind showed the stimulus artifact, so that one without it means no pulse."""
        seen, of = self.artifacts.get(_kind(request), (0, 0))
        return of >= FEWEST_EARLIER and seen >= ARTIFACT_SHARE * of


def count(tally: Tally, request: Request, reply: Reply, *, at_s: float, discomfort_stop: float) -> Tally:
    """Return the tally after ``reply`` to ``request``."""
    if isinstance(request, Ask) and request.key == "discomfort" and isinstance(reply, Answer):
        return _after_rating(tally, reply.value, discomfort_stop)
    if not isinstance(request, Deliver):
        return tally
    if isinstance(reply, Refused):
        return replace(tally, refused=tally.refused + 1)
    if isinstance(reply, Trial):
        kind = reply.verdict.kind
        tally = replace(
            _after_artifact(tally, request, reply),
            kept=tally.kept + (kind == "accept"),
            doubtful=tally.doubtful + (kind == "doubtful"),
            rejected=tally.rejected + (kind == "reject"),
        )
    elif isinstance(reply, Lost):
        tally = replace(tally, lost=tally.lost + 1)
        if reply.given == "not given":
            return replace(tally, stimuli=tally.stimuli + 1)
    else:
        return tally
    return _after_stimulus(tally, request, at_s)


def count_unasked(tally: Tally, pulses: int, *, at_s: float) -> Tally:
    """Return the tally after pulses that nobody asked for, given at ``at_s``: nothing else is known of them."""
    at_s = max(at_s, 0.0)
    return replace(
        tally,
        pulses=tally.pulses + pulses,
        first_s=tally.first_s if tally.first_s >= 0 else at_s,
        last_s=max(tally.last_s, at_s),
    )


def _kind(request: Deliver) -> str:
    return f"{request.muscle}, {'nerve' if request.stimulus.stim_type == 'nerve' else 'magnetic'}"


def _after_artifact(tally: Tally, request: Deliver, trial: Trial) -> Tally:
    """Count whether the artifact was seen; sizes that somebody typed say nothing about it."""
    values = trial.values.get(request.muscle, {})
    if "artifact_end_ms" not in values:
        return tally
    seen, of = tally.artifacts.get(_kind(request), (0, 0))
    now = (seen + math.isfinite(values["artifact_end_ms"]), of + 1)
    return replace(tally, artifacts={**tally.artifacts, _kind(request): now})


def _after_stimulus(tally: Tally, request: Deliver, at_s: float) -> Tally:
    tally = replace(
        tally,
        stimuli=tally.stimuli + 1,
        pulses=tally.pulses + len(request.stimulus.pulses),
        first_s=tally.first_s if tally.first_s >= 0 else at_s,
        last_s=at_s,
    )
    if request.stimulus.stim_type == "nerve":
        return tally
    level = request.stimulus.intensity_mso
    return replace(tally, last_mso=level, tolerated_mso=max(tally.tolerated_mso, level))


def _after_rating(tally: Tally, value: str | float, discomfort_stop: float) -> Tally:
    """A rating at or above the limit takes back what the last pulse seemed to allow, and closes the way up for the day."""
    try:
        rating = float(value)
    except ValueError:
        return tally
    if rating >= discomfort_stop:
        too_much = min(tally.too_much_mso, tally.last_mso)
        return replace(tally, too_much_mso=too_much, tolerated_mso=min(tally.tolerated_mso, too_much - 1))
    return tally
