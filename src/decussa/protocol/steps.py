"""The kinds of step a protocol can have, and the parameters of each."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

from decussa.model.errors import UsageError
from decussa.protocol.intensity import Intensity, read_intensity


def _check_intensity(text: str) -> str:
    try:
        read_intensity(text)
    except UsageError as error:
        raise ValueError(f"{error.what}; expected {error.expected}") from error
    return text


IntensityText = Annotated[str, AfterValidator(_check_intensity)]
Percent = Annotated[float, Field(ge=0, le=100)]
Contraction = Annotated[float, Field(ge=0, le=100)]
Trials = Annotated[int, Field(ge=1, le=200)]


class Section(BaseModel):
    """A part of a protocol: frozen, and strange to unknown keys."""

    model_config = ConfigDict(frozen=True, extra="forbid", str_strip_whitespace=True)


class StepBase(Section):
    """What every step has: a name for tables, and the muscle it is about (the protocol's first where empty)."""

    name: str = ""
    muscle: str = ""
    rest_before_s: Annotated[float, Field(ge=0, le=3600)] = 0


class Familiarisation(StepBase):
    """A few pulses in rising steps, each with a discomfort rating, so that nothing later comes as a surprise."""

    kind: Literal["familiarisation"]
    start_mso: Percent = 30
    end_mso: Percent = 50
    pulses: Annotated[int, Field(ge=1, le=10)] = 3


class Hotspot(StepBase):
    """Search for the coil site with the largest response."""

    kind: Literal["hotspot"]
    intensity_mso: Percent = 50
    spacing_cm: Annotated[float, Field(gt=0, le=3)] = 1.0
    extent_cm: Annotated[float, Field(gt=0, le=8)] = 3.0
    pulses: Annotated[int, Field(ge=5, le=200)] = 40
    contraction_pct: Contraction = 0


class Threshold(StepBase):
    """Resting or active motor threshold, by one of the named methods.

    ``start_mso`` is where the published methods begin: clearly above threshold for 5 of 10, clearly below for two-threshold.
    ``half_width_mso`` ends the adaptive method, ``pulses`` ends any. ``begin_from`` is what the adaptive method knows beforehand;
    an earlier session spares pulses, and pulls a later threshold towards the first: not for a study of change.
    """

    kind: Literal["threshold"]
    state: Literal["rest", "active"] = "rest"
    method: Literal["adaptive", "5 of 10", "two-threshold", "maximum likelihood"] = "adaptive"
    start_mso: Percent = 50
    begin_from: Literal["population", "earlier session"] = "population"
    contraction_pct: Contraction = 0
    half_width_mso: Annotated[float, Field(gt=0, le=20)] = 3
    pulses: Annotated[int, Field(ge=5, le=200)] = 30


class Mmax(StepBase):
    """Largest M-wave: rising current to a plateau, then supramaximal confirmation."""

    kind: Literal["mmax"]
    start_ma: Annotated[float, Field(gt=0, le=20)] = 2
    step_ma: Annotated[float, Field(gt=0, le=20)] = 2
    ceiling_ma: Annotated[float, Field(gt=0, le=100)] = 50
    margin_pct: Annotated[float, Field(ge=10, le=100)] = 20
    confirm: Annotated[int, Field(ge=3, le=10)] = 3


class MaximalContraction(StepBase):
    """Maximal voluntary contraction: best of several efforts."""

    kind: Literal["mvc"]
    efforts: Annotated[int, Field(ge=1, le=6)] = 3
    rest_s: Annotated[float, Field(ge=30, le=600)] = 60


class TestIntensity(StepBase):
    """The setting whose response lies in a range of sizes."""

    kind: Literal["test intensity"]
    low_uv: Annotated[float, Field(gt=0)] = 500
    high_uv: Annotated[float, Field(gt=0)] = 1000
    pulses: Annotated[int, Field(ge=3, le=60)] = 20


class SingleBlock(StepBase):
    """Single pulses at one intensity."""

    kind: Literal["single"]
    intensity: IntensityText
    trials: Trials = 30
    contraction_pct: Contraction = 0


class RecruitmentCurve(StepBase):
    """Single pulses at several intensities in mixed order."""

    kind: Literal["recruitment curve"]
    intensities: Annotated[tuple[IntensityText, ...], Field(min_length=4, max_length=20)]
    trials: Trials = 8
    contraction_pct: Contraction = 0


class PairedCondition(Section):
    """One condition of a paired block."""

    name: str
    isi_ms: Annotated[float, Field(gt=0, le=500)]
    conditioning: IntensityText
    test: IntensityText


class PairedBlock(StepBase):
    """Test pulses alone and pairs, interleaved.

    ``within`` lets the block end before ``trials`` of each condition, but not before ``fewest``: once the interval of every
    ratio lies within this factor of it (1.5 means from two thirds to one and a half times the ratio). Without it every trial is
    given.
    """

    kind: Literal["paired"]
    test: IntensityText
    trials: Trials = 16
    conditions: Annotated[tuple[PairedCondition, ...], Field(min_length=1, max_length=12)]
    contraction_pct: Contraction = 0
    within: Annotated[float, Field(ge=1.1, le=5)] | None = None
    fewest: Annotated[int, Field(ge=5, le=200)] = 10

    @model_validator(mode="after")
    def _check(self) -> PairedBlock:
        if self.within is not None and self.fewest > self.trials:
            raise ValueError(f"fewest cannot be more than trials, which is {self.trials}")
        return self


class TrackedCondition(Section):
    """One pair whose test intensity is tracked."""

    name: str
    isi_ms: Annotated[float, Field(gt=0, le=500)]
    conditioning: IntensityText


class ThresholdTracking(StepBase):
    """Paired pulses by threshold tracking: the test intensity that keeps the response at a target, alone and in pairs.

    Every track begins at ``start``. A response below the target less its tolerance raises the track's next intensity by a step,
    one above lowers it.
    """

    kind: Literal["tracking"]
    conditions: Annotated[tuple[TrackedCondition, ...], Field(min_length=1, max_length=12)]
    start: IntensityText = "120 % RMT"
    target_uv: Annotated[float, Field(ge=50, le=5000)] = 200
    tolerance_pct: Annotated[float, Field(ge=5, le=50)] = 20
    step_mso: Annotated[float, Field(gt=0, le=5)] = 1
    trials: Trials = 20
    contraction_pct: Contraction = 0


class SilentPeriodBlock(StepBase):
    """Single pulses during contraction."""

    kind: Literal["silent period"]
    intensity: IntensityText
    contraction_pct: Annotated[float, Field(gt=0, le=100)] = 15
    trials: Trials = 15


class TrunkLevels(StepBase):
    """Base and test level of a trunk muscle by coarse steps."""

    kind: Literal["trunk levels"]
    start_mso: Percent = 50
    test_above_base_mso: Percent = 40
    pulses: Annotated[int, Field(ge=1, le=5)] = 2
    contraction_pct: Contraction = 0


class Recheck(StepBase):
    """A few pulses at the hotspot to see whether the response is still what it was."""

    kind: Literal["re-check"]
    intensity: IntensityText
    trials: Annotated[int, Field(ge=3, le=20)] = 5


class Closing(StepBase):
    """Closing checks, adverse-event form, follow-up."""

    kind: Literal["closing"]
    follow_up_h: Annotated[float, Field(ge=0, le=168)] = 24


Step = Annotated[
    Familiarisation
    | Hotspot
    | Threshold
    | Mmax
    | MaximalContraction
    | TestIntensity
    | SingleBlock
    | RecruitmentCurve
    | PairedBlock
    | ThresholdTracking
    | SilentPeriodBlock
    | TrunkLevels
    | Recheck
    | Closing,
    Field(discriminator="kind"),
]


def planned_intensities(step: StepBase) -> list[Intensity]:
    """Return every intensity a step names, in order, test and conditioning."""
    texts: list[str] = []
    if isinstance(step, SingleBlock | SilentPeriodBlock | Recheck):
        texts = [step.intensity]
    elif isinstance(step, RecruitmentCurve):
        texts = list(step.intensities)
    elif isinstance(step, PairedBlock):
        texts = [step.test]
        for condition in step.conditions:
            texts += [condition.conditioning, condition.test]
    elif isinstance(step, ThresholdTracking):
        texts = [step.start, *(condition.conditioning for condition in step.conditions)]
    return [read_intensity(text) for text in dict.fromkeys(texts)]


def planned_stimuli(step: StepBase) -> tuple[int, bool]:
    """Return how many stimuli a step plans, without steps up and repeats, and whether it may end before; 0: not known."""
    if isinstance(step, Hotspot | Threshold | TestIntensity):
        return step.pulses, True
    if isinstance(step, SingleBlock | SilentPeriodBlock | Recheck):
        return step.trials, False
    if isinstance(step, RecruitmentCurve):
        return step.trials * len(step.intensities), False
    if isinstance(step, PairedBlock):
        tests = {step.test} | {condition.test for condition in step.conditions}
        return step.trials * (len(step.conditions) + len(tests)), step.within is not None
    if isinstance(step, ThresholdTracking):
        return step.trials * (len(step.conditions) + 1), False
    return 0, False
