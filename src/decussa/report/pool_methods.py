"""The statistics over a study as a paragraph to paste: only what was done with these tables."""

from __future__ import annotations

from collections.abc import Iterator

from decussa.model.version import VERSION
from decussa.pool.pooled import Pooled
from decussa.report import numbers


def statistics_paragraph(pooled: Pooled) -> str:
    """Return how the numbers over people were made, in sentences."""
    return " ".join(_sentences(pooled))


def _sentences(pooled: Pooled) -> Iterator[str]:
    fitted = {one.muscle.name: one.fitted for one in pooled.muscles if one.fitted is not None}
    if fitted:
        models = "; ".join(f"{name}: {one.formula}" for name, one in fitted.items())
        yield (
            "Sizes were compared as ratios of geometric means by a linear mixed model of their logarithm for each muscle "
            f"({models}), fitted by restricted maximum likelihood; intervals and p by Student's t with Satterthwaite's degrees "
            "of freedom, p also adjusted over a muscle's comparisons by Holm's method."
        )
        below = sum(int(one.muscle.sizes["log_size"].isna().sum()) for one in pooled.muscles if one.fitted is not None)
        if below:
            yield (
                f"{numbers.count(below, 'size')} below the noise were drawn repeatedly from what the model says they can be, "
                "and the results joined by Rubin's rules."
            )
    if any(one.sites for one in pooled.muscles):
        yield (
            "Sites were joined with the site as a random effect (spread by Paule and Mandel, interval of the mean by Hartung "
            "and Knapp), each site with a model of its own."
        )
    if any(not one.part and one.joined is not None for one in pooled.paired):
        yield (
            "Paired indices are ratios of arithmetic means, each person's weighted by its own interval, people joined as a "
            "random effect."
        )
    by = dict.fromkeys(one.by for one in pooled.reliability if one.measures is not None)
    if by:
        yield (
            f"Reliability by {numbers.listed(list(by))}: ICC(2,1) for absolute agreement of single values, standard error of "
            "measurement as the root of the residual mean square, MDC95 as 1.96 times the root of 2 times that."
        )
    yield f"Intervals are 95 %. Computed with Decussa {VERSION}."
