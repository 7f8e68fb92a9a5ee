"""The searches of single steps: what they ask, when they end, and what they say where they are kept from ending well."""

import math
import random

import pytest

from decussa.estimate import hotspot
from decussa.model.dialogue import Deliver, Refused, Trial
from decussa.model.trial import ACCEPT, Verdict
from decussa.plan.session import session_plan
from decussa.protocol.schema import read_protocol
from tests.plan.people import HEAD, Textbook, run, trial

MMAX = '[[steps]]\nkind = "mmax"\nstart_ma = 2\nstep_ma = 2\nceiling_ma = 40\n'
HOTSPOT = '[[steps]]\nkind = "hotspot"\nintensity_mso = 60\npulses = 40\n'


def one_step(step):
    return read_protocol(HEAD + step)


def stimuli(asked):
    return [request for request in asked if isinstance(request, Deliver)]


def currents(asked):
    return [request.stimulus.current_ma for request in stimuli(asked)]


class Nerve(Textbook):
    """A nerve whose axons' thresholds are normal, not logistic as the search presumes; sizes scatter by 3 %."""

    def __init__(self, protocol, top_uv, middle_ma, spread_ma, seed=1):
        super().__init__(protocol)
        self.top_uv, self.middle_ma, self.spread_ma = top_uv, middle_ma, spread_ma
        self.chance = random.Random(seed)

    def size(self, request):
        share = 0.5 * math.erfc((self.middle_ma - request.stimulus.current_ma) / self.spread_ma / math.sqrt(2))
        return self.top_uv * share * math.exp(self.chance.gauss(0, 0.03)) + 10


def test_mmax_rises_to_the_plateau_and_is_confirmed_a_fifth_above_it():
    protocol = one_step(MMAX)
    asked, _, found = run(session_plan(protocol, seed=1), Nerve(protocol, 9000, 14, 2))
    mmax = found["FDI right/mmax"]
    given = currents(asked)
    rising = [ma for request, ma in zip(stimuli(asked), given, strict=True) if request.condition == "M-wave"]

    assert rising == sorted(rising)
    assert given[len(rising) :] == [pytest.approx(1.2 * rising[-1], abs=0.06)] * 3
    assert mmax.low <= 9000 <= mmax.high
    assert mmax.value == pytest.approx(9000, rel=0.03)
    assert mmax.n == len(given)
    assert mmax.reason == ""


def test_a_plateau_above_the_ceiling_leaves_mmax_open_and_says_so():
    protocol = one_step(MMAX)
    asked, _, found = run(session_plan(protocol, seed=1), Nerve(protocol, 9000, 40, 6))
    mmax = found["FDI right/mmax"]

    assert max(currents(asked)) == 40
    assert mmax.low <= 9000
    assert mmax.high == math.inf
    assert "may be larger" in mmax.reason


def test_no_m_wave_up_to_the_ceiling_is_a_result_without_a_number():
    protocol = one_step(MMAX)
    _, _, found = run(session_plan(protocol, seed=1), Nerve(protocol, 0, 15, 2))

    assert math.isnan(found["FDI right/mmax"].value)
    assert "no M-wave of 500 uV up to 40 mA" in found["FDI right/mmax"].reason


def test_a_current_that_is_refused_ends_the_search_with_what_is_known():
    protocol = one_step(MMAX)

    class Sore(Nerve):
        def reply(self, request):
            if isinstance(request, Deliver) and request.stimulus.current_ma > 12:
                return Refused(limit="discomfort", reason="too much")
            return super().reply(request)

    asked, _, found = run(session_plan(protocol, seed=1), Sore(protocol, 9000, 14, 2))

    assert currents(asked)[-1] == 14
    assert "14 mA was not given: too much" in found["FDI right/mmax"].reason


def test_a_rejected_m_wave_is_given_again_twice_and_then_the_search_ends():
    protocol = one_step(MMAX)

    class Loose(Nerve):
        def reply(self, request):
            reply = super().reply(request)
            bad = isinstance(request, Deliver) and request.stimulus.current_ma == 8
            return trial(reply.number, {"FDI right": 20.0}, kind="reject") if bad else reply

    asked, _, found = run(session_plan(protocol, seed=1), Loose(protocol, 9000, 14, 2))

    assert currents(asked) == [2, 4, 6, 8, 8, 8]
    assert "no usable trial at 8 mA in 3 pulses" in found["FDI right/mmax"].reason


def noisy(number, size, noise_uv):
    values = {"amplitude_uv": size, "noise_uv": noise_uv, "response_p": float(size > 2 * noise_uv)}
    return Trial(number=number, values={"FDI right": values}, verdict=ACCEPT)


class Head(Textbook):
    """A round map around a best point, log SD 0.5, in a noise that alone gives ``noise_uv``."""

    def __init__(self, protocol, at_cm, noise_uv=15.0, seed=1):
        super().__init__(protocol)
        self.at_cm, self.noise_uv, self.chance = at_cm, noise_uv, random.Random(seed)

    def reply(self, request):
        if not isinstance(request, Deliver):
            return super().reply(request)
        self.number += 1
        if request.condition == "climb":
            return noisy(self.number, self.noise_uv, self.noise_uv)
        away = (request.site_cm[0] - self.at_cm[0]) ** 2 + (request.site_cm[1] - self.at_cm[1]) ** 2
        size = 1500 * math.exp(-away / 2 / 1.4**2 + self.chance.gauss(0, 0.5))
        return noisy(self.number, max(size, self.noise_uv), self.noise_uv)


def searched(asked):
    return [request for request in stimuli(asked) if request.condition != "climb"]


def test_the_hotspot_search_ends_when_the_point_is_known_as_well_as_it_can_be():
    protocol = one_step(HOTSPOT)
    asked, replies, found = run(session_plan(protocol, seed=1), Head(protocol, (-4.0, 1.5)))
    given = searched(asked)

    assert 12 <= len(given) < 40
    assert math.hypot(found["FDI right/hotspot_x"].value + 4, found["FDI right/hotspot_y"].value - 1.5) < 0.8
    pairs = [
        (request.site_cm, reply.value("FDI right", "amplitude_uv"))
        for request, reply in zip(asked, replies, strict=True)
        if request in given
    ]
    assert {site for site, _ in pairs}


def test_the_hotspot_search_reckons_with_the_noise_that_each_trial_had(monkeypatch):
    noises = []
    learn = hotspot.learn

    def listening(state, site_cm, amplitude_uv, *, noise_uv=None):
        noises.append(noise_uv)
        return learn(state, site_cm, amplitude_uv, noise_uv=noise_uv)

    monkeypatch.setattr(hotspot, "learn", listening)
    protocol = one_step(HOTSPOT)
    asked, _, _ = run(session_plan(protocol, seed=1), Head(protocol, (-4.0, 1.5), noise_uv=35.0))

    assert noises == [35.0] * len(searched(asked))


def test_a_hotspot_search_never_spends_more_than_its_budget_on_one_map():
    protocol = one_step(HOTSPOT.replace("40", "15"))
    asked, _, found = run(session_plan(protocol, seed=1), Head(protocol, (-2.0, 3.0), seed=4))

    assert len(searched(asked)) == found["FDI right/hotspot_x"].n <= 15


def test_rejected_trials_do_not_count_as_sites_without_a_response():
    protocol = one_step(HOTSPOT)

    class Twitchy(Head):
        def reply(self, request):
            reply = super().reply(request)
            if isinstance(request, Deliver) and self.number % 2:
                return Trial(number=reply.number, values=reply.values, verdict=Verdict("reject", "test", "test"))
            return reply

    asked, _, found = run(session_plan(protocol, seed=1), Twitchy(protocol, (-5.0, 0.0)))

    assert {request.stimulus.intensity_mso for request in searched(asked)} == {60.0}
    assert math.isfinite(found["FDI right/hotspot_x"].value)
