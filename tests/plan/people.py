"""Stand-ins that answer plans in tests: a textbook person without chance, and a hostile world."""

import math
import random

from decussa.model.dialogue import Answer, Ask, Deliver, Done, Jump, Lost, Refused, Show, Trial
from decussa.model.trial import ACCEPT, Verdict
from decussa.plan.step import Ended, advance

#: A protocol of one muscle, to which a test adds its steps.
HEAD = """
[study]
name = "one step"

[[muscles]]
muscle = "FDI"
side = "right"
stim_side = "left"
electrodes = "belly and tendon"
nerve_reachable = true

[coil]
type = "figure of eight"
start_cm = [5.0, 0.0]

"""


def trial(number, sizes, kind="accept", response=None):
    """A trial with a size per channel."""
    values = {
        label: {
            "amplitude_uv": size,
            "noise_uv": 20.0,
            "response_p": float(size >= 50 if response is None else response),
        }
        for label, size in sizes.items()
    }
    return Trial(number=number, values=values, verdict=ACCEPT if kind == "accept" else Verdict(kind, "test", "test"))


class Textbook:
    """Responds by a curve: 50 µV at ``threshold``, rising e-fold every 8 % of it; M-waves to 12 mV; rates everything 2."""

    def __init__(self, protocol, threshold=47.0, rating=2.0):
        self.labels = [muscle.label for muscle in protocol.muscles]
        self.threshold, self.rating, self.number = threshold, rating, 0
        searches = any(step.kind == "hotspot" for step in protocol.steps)
        self.spot_cm = abs(protocol.coil.start_cm[0]) - (1.0 if searches else 0.0)

    def size(self, request):
        stimulus = request.stimulus
        if stimulus.stim_type == "nerve":
            return 12_000 / (1 + math.exp((9 - stimulus.current_ma) / 1.5))
        away = stimulus.intensity_mso / self.threshold - 1
        if request.site_cm is not None:
            away -= 0.02 * ((abs(request.site_cm[0]) - self.spot_cm) ** 2 + request.site_cm[1] ** 2)
        return min(50 * math.exp(away / 0.08), 4000.0)

    def reply(self, request):
        if isinstance(request, Ask):
            return Answer(value={"rating": self.rating, "number": 400.0}.get(request.kind, request.default))
        if not isinstance(request, Deliver):
            return Done()
        self.number += 1
        return trial(self.number, dict.fromkeys(self.labels, self.size(request)))


class Hostile:
    """Answers anything that a reply may be, from a seed: nothing, NaN, huge, rejected, lost, refused, skipped, redone."""

    def __init__(self, labels, seed):
        self.labels, self.chance, self.number = labels, random.Random(seed), 0

    def reply(self, request):
        if self.chance.random() < 0.01 and not isinstance(request, Show):
            return Jump(self.chance.choice(["skip", "skip", "redo"]))
        if isinstance(request, Ask):
            return Answer(value=self.chance.choice(["", "yes", "ten", math.nan, -1.0, 0.0, 3.0, 7.0, 1e9]))
        if not isinstance(request, Deliver):
            return Done()
        kind = self.chance.random()
        if kind < 0.05:
            return Refused(limit="pulse total", reason="hostile")
        if kind < 0.15:
            return Lost(given=self.chance.choice(["given and lost", "not given"]), reason="hostile")
        self.number += 1
        if kind < 0.2:
            return Trial(number=self.number, values={}, verdict=ACCEPT)
        size = self.chance.choice([math.nan, math.inf, -5.0, 0.0, 1e-9, 30.0, 60.0, 500.0, 900.0, 1e12])
        return trial(
            self.number,
            dict.fromkeys(self.labels, size),
            self.chance.choice(["accept", "accept", "doubtful", "reject"]),
        )


def run(plan, person, most=5000):
    """Run a plan to its end; return what was asked, what was replied, and what was found."""
    asked, replies = [], []
    request = advance(plan, None)
    while not isinstance(request, Ended):
        assert len(asked) < most, "the plan does not end"
        reply = person.reply(request)
        asked.append(request)
        replies.append(reply)
        request = advance(plan, reply)
    return asked, replies, request.found


def asked_after(plan, replies):
    """Return what a plan asks next once it was sent these replies."""
    request = advance(plan, None)
    for reply in replies:
        request = advance(plan, reply)
    return request
