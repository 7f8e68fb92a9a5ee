"""Motor threshold: adaptive from the fewest pulses, and the published procedures beside it.

``start``, ``suggest``, ``learn``, ``summary`` and ``done`` here are the adaptive estimator. ``five_of_ten``,
``two_threshold``, ``likelihood_hunting`` and ``bayesian_hunting`` hold the same functions for the procedures of those
names, exactly as published, so that old studies can be repeated.
"""

from decussa.estimate.threshold import bayesian_hunting, five_of_ten, likelihood_hunting, two_threshold
from decussa.estimate.threshold.adaptive import State, density, done, learn, probability_above, start, suggest, summary

__all__ = [
    "State",
    "bayesian_hunting",
    "density",
    "done",
    "five_of_ten",
    "learn",
    "likelihood_hunting",
    "probability_above",
    "start",
    "suggest",
    "summary",
    "two_threshold",
]
