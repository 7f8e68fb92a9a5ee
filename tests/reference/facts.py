"""What is published of people, and how a crowd of virtual participants measures up to it.

A fact with a mean, an SD and a number of people holds where the crowd's mean and SD cannot be told from them at the 1 %
level: the tolerance is that of both samples. A fact that was published as a range, or without a spread, has the limits that
stand beside it.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import stats
from scipy.special import ndtri

from tests.reference.crowd import steepness

MEMORY = "from memory, no source"
CANTONE = "Cantone 2019, doi 10.3389/fnhum.2019.00185"
JITSAKULCHAIDEJ = "Jitsakulchaidej 2022, doi 10.1186/s12883-022-02977-8"
OLDER = "Somatosens Mot Res 2013, 30:201, doi 10.3109/08990220.2013.796922, age 70 and over"
TANIGUCHI = "Taniguchi 1999, doi 10.1097/00007632-199901150-00014"
SILBERT = "Silbert 2013, Clin Neurophysiol 124:708"
DEVANNE = "Devanne 1997, doi 10.1007/PL00005641"
WASSERMANN = "Wassermann 2002, doi 10.1016/S1388-2457(02)00144-X"
GOETZ = "Goetz 2014, doi 10.1016/j.brs.2014.03.002"
CAVALERI = "Cavaleri 2017, doi 10.1186/s13643-017-0440-8"
AMMANN = "Ammann 2020, doi 10.1038/s41598-020-77383-6"
BACKGROUND = "preprint 2025 on very low amplitude muscle activity and responses, 45 people"
SILENCE = "Rev Neurol 1999, 28(3), doi 10.33588/rn.2803.98238"
RATERS = "Neurosci Lett 2009, 464:84, doi 10.1016/j.neulet.2009.08.029"
KOJIMA = "Kojima 2013, BMC Neurosci 14:43"
FRITZ = "Fritz 1997, doi 10.1016/S0924-980X(97)96675-3"
MULTIFIDUS = "PLoS ONE 2016, 11:e0159391, deep multifidus"
DESMONS = "Desmons 2023, doi 10.3389/fnins.2023.1180816"


@dataclass(frozen=True, slots=True, kw_only=True)
class Fact:
    """One fact: what it says, where it stands, and the function that measures it on a crowd.

    ``among`` is the number of people whose sample is enough in tests; costly facts ask fewer. ``least`` is the number below
    which the fact cannot be told from chance; it is then left to the bench.
    """

    protocol: str
    says: str
    source: str
    measure: Callable
    low: float = -math.inf
    high: float = math.inf
    published: tuple[float, float, int] | None = None
    among: int = 18
    least: int = 0

    def check(self, crowd):
        """Return what was measured, the limits and whether it holds, in words."""
        found = np.asarray(self.measure(crowd), dtype=np.float64)
        if self.published is None:
            return f"{found:.3g}", f"{self.low:.3g} to {self.high:.3g}", bool(self.low <= found <= self.high)
        mean, sd, n = self.published
        found = found[np.isfinite(found)]
        off = stats.norm.ppf(0.995) * sd * math.sqrt(1 / n + 1 / found.size)
        ratio = (found.std(ddof=1) / sd) ** 2
        least, most = stats.f.ppf([0.005, 0.995], found.size - 1, n - 1)
        holds = abs(found.mean() - mean) <= off and least <= ratio <= most
        limits = f"{mean:g} ± {off:.2g} ({sd * math.sqrt(least):.2g} to {sd * math.sqrt(most):.2g})"
        return f"{found.mean():.4g} ({found.std(ddof=1):.3g})", limits, bool(holds)


def latency(crowd, share, contraction_pct=0.0, of="rmt"):
    return np.nanmean(crowd.singles(share, 8, contraction_pct=contraction_pct, of=of, times=True)["latency_ms"], axis=1)


def sizes(crowd, share, contraction_pct=0.0):
    return crowd.singles(share, 30, contraction_pct=contraction_pct)["size_uv"]


def variation(crowd, share, contraction_pct=0.0):
    values = sizes(crowd, share, contraction_pct)
    return (values.std(axis=1, ddof=1) / values.mean(axis=1)).mean()


def skewness(crowd, share):
    return stats.skew(sizes(crowd, share), axis=1).mean()


def millivolt(crowd):
    """Intensity of 1 mV on average, as a share of the threshold: ratio of the group's means, as published."""
    shares = np.array([1.0, 1.1, 1.2, 1.3, 1.5])
    means = np.stack([sizes(crowd, share).mean(axis=1) for share in shares], axis=1)
    at = np.array([np.interp(1000.0, np.maximum.accumulate(row), shares) for row in means])
    return (at * crowd.rmt_mso).mean() / crowd.rmt_mso.mean()


def spread(crowd):
    """SD of the cumulative Gaussian of responses, as a share of the threshold, from 5 % below and above it."""
    below, above = (np.mean(crowd.singles(share, 30)["amplitude_uv"] >= 50) for share in (0.95, 1.05))
    return 0.1 / (ndtri(above) - ndtri(below))


def rise_by_background(crowd):
    """Rise of the probability of a response from 1 to 9 µV of background, by logistic regression over all trials."""
    columns = crowd.tense(40)
    background, seen = columns["background_rms_uv"].ravel(), (columns["amplitude_uv"] >= 50).ravel()
    design = np.stack([np.ones(background.size), background], axis=1)
    beta = np.zeros(2)
    for _ in range(30):
        chance = 1 / (1 + np.exp(-design @ beta))
        weight = chance * (1 - chance)
        beta += np.linalg.solve(design.T @ (weight[:, None] * design), design.T @ (seen - chance))
    return float(np.diff(1 / (1 + np.exp(-(beta[0] + beta[1] * np.array([1.0, 9.0])))))[0])


def reliability(crowd, trials):
    """Intraclass correlation of the mean of so many trials within a session, at 120 % of threshold."""
    values = sizes(crowd, 1.2)
    within = values.var(axis=1, ddof=1).mean()
    between = values.mean(axis=1).var(ddof=1) - within / values.shape[1]
    return between / (between + within / trials)


def people_needed(crowd, trials):
    """People who show 110 against 120 % of threshold with a power of 80 % in a paired t test of means of ``trials``."""
    difference = sizes(crowd, 1.2)[:, :trials].mean(axis=1) - sizes(crowd, 1.1)[:, :trials].mean(axis=1)
    effect = difference.mean() / difference.std(ddof=1)
    for people in range(2, 200):
        critical = stats.t.ppf(0.975, people - 1)
        if stats.nct.sf(critical, people - 1, effect * math.sqrt(people)) >= 0.8:
            return people
    return math.inf


def steepening(crowd, contraction_pct=35.0):
    rest, active = ([steepness(curve) for curve in crowd.curves(pct, 3)] for pct in (0.0, contraction_pct))
    return np.array(active) / np.array(rest)


def plateau(crowd, contraction_pct):
    return crowd.singles(1.8, 8, contraction_pct=contraction_pct)["size_uv"].mean(axis=1)


def silence(crowd, share, contraction_pct=15.0, of="rmt", what="silent_from_pulse_ms", trials=8):
    return crowd.singles(share, trials, contraction_pct=contraction_pct, of=of, silent=True)[what]


def least_step_of_silence(crowd):
    found = [np.nanmean(silence(crowd, share, of="amt")) for share in (1.1, 1.2, 1.4, 1.6)]
    return np.diff(found).min()


def sides_differ(crowd):
    """Share of people whose silent periods of both sides differ by more than 15 ms."""
    both = [np.nanmean(silence(side, 1.5, trials=20), axis=1) for side in (crowd, crowd.other_side)]
    return np.mean(np.abs(both[0] - both[1]) > 15)


def within_people(crowd):
    """Share of the variance of ratios that is within a person, over intervals of 3, 4, 10 and 15 ms."""
    shares = []
    for isi_ms in (3.0, 4.0, 10.0, 15.0):
        twice = np.stack([crowd.pairs(isi_ms, 10, block=block) for block in (1, 2)])
        within = (np.diff(twice, axis=0) ** 2).mean() / 2
        shares.append(within / twice.var(axis=1, ddof=1).mean())
    return np.mean(shares)


def trunk_pair(crowd, isi_ms):
    """Mean ratio of the trunk in light extension, test pulse a little above the active threshold."""
    return crowd.pairs(isi_ms, 15, cond=0.7, test=1.15, of="amt", contraction_pct=12.0).mean()


def later_side(crowd):
    return np.nanmean(latency(crowd.other_side, 1.4, 15.0, "amt") - latency(crowd, 1.4, 15.0, "amt"))


def both_sides_latency(crowd):
    return (latency(crowd.other_side, 1.4, 15.0, "amt") + latency(crowd, 1.4, 15.0, "amt")) / 2


FACTS = (
    Fact(protocol="hand", says="resting threshold 47.3 (8.1) % MSO, n 48", source=JITSAKULCHAIDEJ,
         published=(47.3, 8.1, 48), measure=lambda c: c.rmt_mso),
    Fact(protocol="hand", says="thresholds are skewed to the right", source=WASSERMANN, least=200,
         low=0.1, measure=lambda c: stats.skew(c.rmt_mso)),
    Fact(protocol="hand", says="their logarithms are not", source=WASSERMANN, least=200,
         low=-0.3, high=0.3, measure=lambda c: stats.skew(np.log(c.rmt_mso))),
    Fact(protocol="hand", says="1 mV takes 1.27 to 1.28 times the threshold (limits ours)", source=SILBERT,
         low=1.22, high=1.33, measure=millivolt),
    Fact(protocol="hand", says="responses grow likelier over a spread of 7 % of threshold (limits 4 to 10 %)",
         source=f"Awiszus 2003, doi 10.1016/S1567-424X(09)70205-3; the figure {MEMORY}",
         low=0.04, high=0.10, measure=spread),
    Fact(protocol="hand", says="background of 9 instead of 1 µV makes responses 31 to 38 % likelier (limits 20 to 50)",
         source=BACKGROUND, low=0.20, high=0.50, measure=rise_by_background),
    Fact(protocol="hand", says="latency in contraction 19.5 (1.45) ms, n 587", source=CANTONE,
         published=(19.5, 1.45, 587), measure=lambda c: latency(c, 1.2, 15.0)),
    Fact(protocol="hand", says="latency at rest at 120 % 21.77 (1.47) ms, n 48 (APB)", source=JITSAKULCHAIDEJ,
         published=(21.77, 1.47, 48), measure=lambda c: latency(c, 1.2)),
    Fact(protocol="hand", says="0.60 ms earlier at 140 % (limits 0.3 to 0.9)", source=JITSAKULCHAIDEJ,
         low=0.3, high=0.9, measure=lambda c: (latency(c, 1.2) - latency(c, 1.4)).mean()),
    Fact(protocol="hand", says="contraction shortens latency by 2 to 4 ms", source=OLDER,
         low=2.0, high=4.0, measure=lambda c: (latency(c, 1.2) - latency(c, 1.2, 15.0)).mean()),
    Fact(protocol="hand", says="sizes vary by 0.4 to 0.8 at 110 % of threshold", source=MEMORY,
         low=0.4, high=0.8, measure=lambda c: variation(c, 1.1)),
    Fact(protocol="hand", says="sizes vary by 0.4 to 0.8 at 120 % of threshold", source=MEMORY,
         low=0.4, high=0.8, measure=lambda c: variation(c, 1.2)),
    Fact(protocol="hand", says="they vary less at 150 than at 120 % (ratio)", source=MEMORY,
         low=0.2, high=0.8, measure=lambda c: variation(c, 1.5) / variation(c, 1.2)),
    Fact(protocol="hand", says="they vary less in contraction (ratio)", source=MEMORY,
         low=0.05, high=0.8, measure=lambda c: variation(c, 1.2, 15.0) / variation(c, 1.2)),
    Fact(protocol="hand", says="sizes are skewed to the right at 110 %", source=GOETZ,
         low=0.4, high=3.0, measure=lambda c: skewness(c, 1.1)),
    Fact(protocol="hand", says="skew changes along the curve: less at 150 than at 110 %", source=GOETZ,
         low=0.2, high=3.0, measure=lambda c: skewness(c, 1.1) - skewness(c, 1.5)),
    Fact(protocol="hand", says="means of 5 trials agree within a session: ICC 0.92 (0.87 to 0.95)", source=CAVALERI, least=100,
         low=0.87, high=0.95, measure=lambda c: reliability(c, 5)),
    Fact(protocol="hand", says="10 people show 110 against 120 % with 10 trials (limits 6 to 16)", source=AMMANN, least=100,
         low=6, high=16, measure=lambda c: people_needed(c, 10)),
    Fact(protocol="hand", says="7 people do with 30 trials (limits 4 to 12)", source=AMMANN, least=100,
         low=4, high=12, measure=lambda c: people_needed(c, 30)),
    Fact(protocol="hand", says="contraction steepens the curve up to 4 to 7 times (mean 3 to 7)", source=DEVANNE,
         among=5, low=3.0, high=7.0, measure=lambda c: steepening(c).mean()),
    Fact(protocol="hand", says="the threshold falls only slightly: active over resting (limits 0.75 to 1)", source=DEVANNE,
         among=10, low=0.75, high=1.0, measure=lambda c: (c.amt_mso / c.rmt_mso).mean()),
    Fact(protocol="hand", says="the plateau is the same in any contraction: 60 over 20 % MVC (limits 0.9 to 1.1)",
         source=DEVANNE, low=0.9, high=1.1, among=10, measure=lambda c: (plateau(c, 60.0) / plateau(c, 20.0)).mean()),
    Fact(protocol="hand", says="4 of 9 people do not reach it at rest (share, Wilson interval of 4/9)", source=DEVANNE,
         low=0.189, high=0.733, measure=lambda c: np.mean(c.at_most(6) < 0.9 * plateau(c, 35.0))),
    Fact(protocol="hand", says="Mmax of 10 to 20 mV in most people (share)", source=MEMORY,
         low=0.85, high=1.0, measure=lambda c: np.mean((c.mmax_uv > 10_000) & (c.mmax_uv < 20_000))),
    Fact(protocol="hand", says="a response at 120 % is 5 to 20 % of Mmax", source=MEMORY,
         low=0.05, high=0.20, measure=lambda c: (sizes(c, 1.2).mean(axis=1) / c.mmax_uv).mean()),
    Fact(protocol="hand", says="the largest active response is 40 to 80 % of Mmax", source=MEMORY,
         low=0.4, high=0.8, measure=lambda c: (plateau(c, 35.0) / c.mmax_uv).mean()),
    Fact(protocol="hand", says="noise at rest is 2 to 5 µV RMS", source=MEMORY,
         low=2.0, high=5.0, measure=lambda c: np.median(c.singles(1.2, 30)["background_rms_uv"])),
    Fact(protocol="hand", says="silence at 150 % ends 201.7 (33.3) ms after the pulse, n 30 (APB)", source=SILENCE,
         published=(201.7, 33.3, 30), measure=lambda c: np.nanmean(silence(c, 1.5), axis=1)),
    Fact(protocol="hand", says="it lasts 151 (32.5) ms, n 30 (APB)", source=SILENCE,
         published=(151.0, 32.5, 30), measure=lambda c: np.nanmean(silence(c, 1.5, what="silent_from_end_ms"), axis=1)),
    Fact(protocol="hand", says="it varies by 7.3 % within a person (limits 5 to 10)", source=RATERS, low=0.05, high=0.10,
         measure=lambda c: (np.nanstd(silence(c, 1.5), axis=1, ddof=1) / np.nanmean(silence(c, 1.5), axis=1)).mean()),
    Fact(protocol="hand", says="it lengthens steadily from 110 to 160 % of the active threshold (least step, ms)",
         source=KOJIMA, among=10, low=8.0, high=80.0, measure=least_step_of_silence),
    Fact(protocol="hand", says="it is the same from 10 to 70 % MVC (difference, ms; limits ±10)", source=KOJIMA,
         low=-10.0, high=10.0, among=10,
         measure=lambda c: np.nanmean(silence(c, 1.5, 70.0)) - np.nanmean(silence(c, 1.5, 10.0))),
    Fact(protocol="hand", says="people range from 44 to 258 ms (longest found)", source=FRITZ, low=44.0, high=290.0,
         measure=lambda c: np.nanmean(silence(c, 1.5, what="silent_period_ms"), axis=1).max()),
    Fact(protocol="both hands", says="the sides seldom differ by more than 15 ms (share)", source=f"{SILENCE}; {FRITZ}",
         among=12, low=0.0, high=0.15, measure=sides_differ),
    Fact(protocol="hand", says="3 ms: 0.3 to 0.6 of the unconditioned size", source=MEMORY,
         low=0.3, high=0.6, measure=lambda c: c.pairs(3.0, 12).mean()),
    Fact(protocol="hand", says="3 ms: people differ by an SD of 0.2 to 0.3 (limits 0.15 to 0.35)", source=MEMORY,
         low=0.15, high=0.35, measure=lambda c: c.pairs(3.0, 12).std(ddof=1)),
    Fact(protocol="hand", says="12 ms: 1.2 to 1.6", source=MEMORY,
         low=1.2, high=1.6, measure=lambda c: c.pairs(12.0, 12).mean()),
    Fact(protocol="hand", says="12 ms: people differ by an SD of 0.4 to 0.5 (limits 0.3 to 0.6)", source=MEMORY,
         low=0.3, high=0.6, measure=lambda c: c.pairs(12.0, 12).std(ddof=1)),
    Fact(protocol="hand", says="100 ms after a strong pulse: 0.2 to 0.6", source=MEMORY,
         low=0.2, high=0.6, measure=lambda c: c.pairs(100.0, 12, cond=1.2).mean()),
    Fact(protocol="hand", says="1, 2 and 5 ms inhibit too (largest ratio)", source=f"{KOJIMA}; Kujirai 1993 {MEMORY}",
         among=10, high=0.9, low=0.1, measure=lambda c: max(c.pairs(isi, 12).mean() for isi in (1.0, 2.0, 5.0))),
    Fact(protocol="hand", says="10 and 15 ms facilitate too (smallest ratio)", source=KOJIMA,
         among=10, low=1.05, high=2.0, measure=lambda c: min(c.pairs(isi, 12).mean() for isi in (10.0, 15.0))),
    Fact(protocol="hand", says="50 to 200 ms inhibit after a strong pulse (largest ratio)", source=MEMORY, among=10,
         low=0.1, high=0.95, measure=lambda c: max(c.pairs(isi, 12, cond=1.2).mean() for isi in (50.0, 150.0, 200.0))),
    Fact(protocol="hand", says="40 to 50 % of the variance of ratios is within people (limits 25 to 60)",
         source=WASSERMANN, among=10, low=0.25, high=0.60, measure=within_people),
    Fact(protocol="hand", says="some people facilitate at 4 ms (share)", source=WASSERMANN, least=100,
         low=0.005, high=0.25, measure=lambda c: np.mean(c.pairs(4.0, 10, block=1) > 1)),
    Fact(protocol="hand", says="and some inhibit at 15 ms (share)", source=WASSERMANN,
         low=0.02, high=0.40, measure=lambda c: np.mean(c.pairs(15.0, 10, block=1) < 1)),
    Fact(protocol="forearm", says="latency about 15 to 17 ms, mean of rest and contraction", source=MEMORY, among=8,
         low=15.0, high=17.0, measure=lambda c: (latency(c, 1.2).mean() + latency(c, 1.2, 15.0).mean()) / 2),
    Fact(protocol="forearm", says="Mmax of 5 to 15 mV in most people (share)", source=MEMORY, among=8,
         low=0.85, high=1.0, measure=lambda c: np.mean((c.mmax_uv > 5_000) & (c.mmax_uv < 15_000))),
    Fact(protocol="leg", says="latency at rest 30.6 (2.5) ms, n 36", source=OLDER, among=40,
         published=(30.6, 2.5, 36), measure=lambda c: latency(c, 1.2)),
    Fact(protocol="leg", says="latency in contraction 27.2 (2.3) ms, n 36", source=OLDER, among=40,
         published=(27.2, 2.3, 36), measure=lambda c: latency(c, 1.2, 15.0)),
    Fact(protocol="leg", says="Mmax of 5 to 10 mV in most people (share)", source=MEMORY, among=8,
         low=0.8, high=1.0, measure=lambda c: np.mean((c.mmax_uv > 5_000) & (c.mmax_uv < 10_000))),
    Fact(protocol="lumbar", says="latency in light effort 20.8 (1.5) ms, n 15, mean of the sides", source=TANIGUCHI,
         among=5, published=(20.8, 1.5, 15), measure=both_sides_latency),
    Fact(protocol="lumbar", says="the ipsilateral response is later (ms; limits ours)", source=DESMONS, among=5,
         low=0.3, high=4.0, measure=later_side),
    Fact(protocol="lumbar", says="1, 3 and 4 ms inhibit (largest ratio)", source=MULTIFIDUS, among=5,
         low=0.2, high=0.95, measure=lambda c: max(trunk_pair(c, isi) for isi in (1.0, 3.0, 4.0))),
    Fact(protocol="lumbar", says="12 ms inhibits", source=MULTIFIDUS, among=5,
         low=0.5, high=0.99, measure=lambda c: trunk_pair(c, 12.0)),
    Fact(protocol="lumbar", says="15 ms does not facilitate", source=MULTIFIDUS, among=5,
         low=0.5, high=1.05, measure=lambda c: trunk_pair(c, 15.0)),
)  # fmt: skip

#: What the person is known not to show; kept here so that the manual can say so, and checked to be still so.
MISSED = (
    Fact(protocol="hand", says="silence begins 50.2 (6.0) ms after the pulse, n 30 (APB)", source=SILENCE, among=10,
         published=(50.2, 6.0, 30),
         measure=lambda c: np.nanmean(silence(c, 1.5) - silence(c, 1.5, what="silent_from_end_ms"), axis=1)),
)  # fmt: skip
