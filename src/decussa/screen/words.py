"""The app's sentences: present tense, number first, one thought each. Every text is escaped by who puts it on a page."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import replace

from decussa.model.dialogue import Deliver
from decussa.model.errors import DecussaError
from decussa.model.estimate import Estimate
from decussa.model.muscle import muscle_and_side
from decussa.protocol.steps import StepBase
from decussa.screen.language import phrase

THIN = "\u202f"
MINUS = "\u2212"
Named = Callable[[], str]
_PARTS: Mapping[tuple[str, str], Named] = {
    ("left", "hand"): lambda: phrase("left hand"),
    ("right", "hand"): lambda: phrase("right hand"),
    ("left", "forearm"): lambda: phrase("left forearm"),
    ("right", "forearm"): lambda: phrase("right forearm"),
    ("left", "arm"): lambda: phrase("left upper arm"),
    ("right", "arm"): lambda: phrase("right upper arm"),
    ("left", "leg"): lambda: phrase("left leg"),
    ("right", "leg"): lambda: phrase("right leg"),
    ("left", "foot"): lambda: phrase("left foot"),
    ("right", "foot"): lambda: phrase("right foot"),
    ("left", "trunk"): lambda: phrase("back, left side"),
    ("right", "trunk"): lambda: phrase("back, right side"),
}
_QUANTITIES: Mapping[str, tuple[Named, str]] = {
    "rmt": (lambda: phrase("Resting threshold"), "% MSO"),
    "amt": (lambda: phrase("Active threshold"), "% MSO"),
    "base": (lambda: phrase("Base"), "% MSO"),
    "trunk_test": (lambda: phrase("Test level"), "% MSO"),
    "rmt_recheck": (lambda: phrase("Resting threshold, re-check"), "% MSO"),
    "test_intensity": (lambda: phrase("Test intensity"), "% MSO"),
    "hotspot_x": (lambda: phrase("Hotspot, to the right"), "cm"),
    "hotspot_y": (lambda: phrase("Hotspot, forward"), "cm"),
    "tracked_test": (lambda: phrase("Tracked, test alone"), "% MSO"),
    "tracked_inhibition": (lambda: phrase("Tracked inhibition"), "%"),
    "mmax": (lambda: phrase("Mmax"), "µV"),
    "mvc": (lambda: phrase("Maximal contraction"), "µV RMS"),
}
_STEPS: Mapping[str, Named] = {
    "mvc": lambda: phrase("Maximal contraction"),
    "mmax": lambda: phrase("Mmax"),
    "familiarisation": lambda: phrase("Familiarisation"),
    "hotspot": lambda: phrase("Hotspot"),
    "test intensity": lambda: phrase("Test intensity"),
    "paired": lambda: phrase("Paired block"),
    "tracking": lambda: phrase("Threshold tracking"),
    "single": lambda: phrase("Single pulses"),
    "recruitment curve": lambda: phrase("Recruitment curve"),
    "silent period": lambda: phrase("Silent period"),
    "trunk levels": lambda: phrase("Trunk levels"),
    "re-check": lambda: phrase("Re-check"),
    "closing": lambda: phrase("Closing"),
}
_VERDICTS: Mapping[str, Named] = {
    "accept": lambda: phrase("accept"),
    "doubtful": lambda: phrase("doubtful"),
    "reject": lambda: phrase("reject"),
    "lost": lambda: phrase("lost"),
    "refused": lambda: phrase("not given"),
}
_GATES: Mapping[str, Named] = {
    "consent signed": lambda: phrase("Consent signed"),
    "screening valid today": lambda: phrase("Screening valid today"),
    "ear protection on participant and operator": lambda: phrase("Ear protection on participant and operator"),
    "second trained person present": lambda: phrase("Second trained person present"),
    "participant knows how to stop": lambda: phrase("Participant knows how to stop"),
}
_PATH = re.compile(r"(?:[A-Za-z]:)?(?:[/\\][^\s/\\'\":;,]+){2,}[/\\]?")


def number(value: float, digits: int) -> str:
    """Return a number with a true minus and thousands marked."""
    return f"{value:,.{digits}f}".replace("-", MINUS)


def uv(value: float) -> str:
    """Return a size: µV below 1 mV, mV from there."""
    if math.isnan(value):
        return "—"
    if value >= 1000:
        return f"{number(value / 1000, 2 if value < 10_000 else 1)}{THIN}mV"
    return f"{number(value, 0 if value >= 10 else 1)}{THIN}µV"


def ms(value: float) -> str:
    """Return a time in ms to a tenth, from 100 ms on in whole ones."""
    return "—" if math.isnan(value) else f"{number(value, 1 if abs(value) < 100 else 0)}{THIN}ms"


def digits_of(estimate: Estimate) -> int:
    """Return how many decimals an estimate deserves: the last is worth at least a hundredth of its interval."""
    width = estimate.high - estimate.low
    if not math.isfinite(width) or width <= 0:
        return 0 if abs(estimate.value) >= 100 else 1
    return min(max(math.ceil(-math.log10(width)) + 1, 0), 2)


def interval(estimate: Estimate, digits: int | None = None) -> str:
    """Return an interval in brackets; an open side is said, no interval gives an empty text."""
    if math.isnan(estimate.low) or math.isnan(estimate.high):
        return ""
    digits = digits_of(estimate) if digits is None else digits
    low = phrase("no lower limit") if math.isinf(estimate.low) else number(estimate.low, digits)
    high = phrase("no upper limit") if math.isinf(estimate.high) else number(estimate.high, digits)
    return f"[{low}, {high}]"


def in_millivolt(estimate: Estimate, unit: str) -> tuple[Estimate, str]:
    """Return an estimate and its unit, in mV where it is a size of 1 mV or more."""
    if not unit.startswith("µV") or not estimate.value >= 1000:
        return estimate, unit
    value, low, high = (number_ / 1000 for number_ in (estimate.value, estimate.low, estimate.high))
    return replace(estimate, value=value, low=low, high=high), unit.replace("µV", "mV")


def value_of(estimate: Estimate) -> str:
    """Return the value alone, or a dash."""
    return "—" if math.isnan(estimate.value) else number(estimate.value, digits_of(estimate))


def quantity(key: str) -> tuple[str, str, str]:
    """Return name, unit and muscle of a finding such as ``FDI right/rmt``."""
    label, _, of_condition = key.rpartition("/")
    name, colon, condition = of_condition.partition(": ")
    named, unit = _QUANTITIES.get(name, (None, ""))
    return (named() if named else name.replace("_", " ")) + colon + condition, unit, label


def verdict_words(kind: str) -> str:
    """Return a verdict's word, or what became of a stimulus without one."""
    return _VERDICTS[kind]()


def gate_words(gate: str) -> str:
    """Return a gate as a statement."""
    return _GATES[gate]() if gate in _GATES else gate[:1].upper() + gate[1:]


def step_title(step: str, request: Deliver | None = None) -> str:
    """Return a step's name as a heading; a threshold says which."""
    if step == "threshold":
        active = request is not None and request.contraction_pct > 0
        return phrase("Active threshold") if active else phrase("Resting threshold")
    return _STEPS[step]() if step in _STEPS else step[:1].upper() + step[1:]


def threshold_title(step: StepBase) -> str:
    """Return which threshold a step of the protocol hunts."""
    return phrase("Active threshold") if getattr(step, "state", "") == "active" else phrase("Resting threshold")


def body_part(label: str) -> str:
    """Return where a muscle is, in plain words: ``left forearm``."""
    muscle, side = muscle_and_side(label)
    named = _PARTS.get((side, muscle.region))
    return named() if named else label


def target_words(label: str) -> str:
    """Return a muscle as a heading names it: ``left forearm (FCR)``."""
    muscle, _ = muscle_and_side(label)
    return f"{body_part(label)} ({muscle.key})" if muscle.key else label


def instruction(request: Deliver) -> str:
    """Return what to do, in two short sentences."""
    what = {
        "single": phrase("Single pulse."),
        "paired": phrase("Paired pulse."),
        "nerve": phrase("Nerve pulse."),
    }[request.stimulus.stim_type]
    part = body_part(request.muscle)
    part = part[:1].upper() + part[1:]
    if request.contraction_pct:
        held = phrase("{part} held at {level} of maximum.", part=part, level=f"{request.contraction_pct:g}{THIN}%")
        return f"{what} {held}"
    return f"{what} {phrase('{part} at rest.', part=part)}"


def site_words(site_cm: tuple[float, float]) -> str:
    """Return a coil site: ``5 cm out on the left, 1 cm forward of the vertex``."""
    right, front = site_cm
    out, along = _plain(abs(right)), _plain(abs(front))
    if not right:
        across = phrase("on the midline")
    elif right > 0:
        across = phrase("{cm} cm out on the right", cm=out)
    else:
        across = phrase("{cm} cm out on the left", cm=out)
    if not front:
        return f"{across}, {phrase('level with the vertex')}"
    if front > 0:
        return f"{across}, {phrase('{cm} cm forward of the vertex', cm=along)}"
    return f"{across}, {phrase('{cm} cm back of the vertex', cm=along)}"


def _plain(value: float) -> str:
    return number(value, 1).removesuffix(".0")


def spoken(request: Deliver, number_: int) -> str:
    """Return the whole setting as a screen reader says it."""
    stimulus = request.stimulus
    if stimulus.stim_type == "nerve":
        setting = phrase("Set {level} mA.", level=f"{stimulus.current_ma:g}")
    elif stimulus.stim_type == "paired":
        setting = phrase(
            "Set conditioning {cond} %, interval {isi} ms, test {test} %.",
            cond=f"{stimulus.cond_intensity_mso:g}",
            isi=f"{stimulus.isi_ms:g}",
            test=f"{stimulus.intensity_mso:g}",
        )
    else:
        setting = phrase("Set {level} %.", level=f"{stimulus.intensity_mso:g}")
    site = f" {phrase('Coil {where}.', where=site_words(request.site_cm))}" if request.site_cm else ""
    return f"{phrase('Pulse {number}.', number=number_)} {setting} {instruction(request)}{site}"


def gate_sentence(count: int) -> str:
    """Return how many gates are open, as the page's first sentence."""
    if count == 0:
        return phrase("Nothing is open before the first pulse.")
    if count == 1:
        return phrase("One thing is open before the first pulse.")
    return phrase("{count} things are open before the first pulse.", count=count)


def minutes_words(minutes: float) -> str:
    """Return minutes, whole ones; what is under one is said."""
    return phrase("under 1") if 0 < minutes < 1 else f"{minutes:.0f}"


def error_words(error: DecussaError | None) -> tuple[str, str]:
    """Return an error as a heading and what to do, without the paths of this machine; None is a fault of the program."""
    if error is None:
        return (
            phrase("A fault in the program."),
            phrase("What is written stays. The terminal that serves the pages says where."),
        )
    parts = [
        phrase("Expected: {what}.", what=without_paths(error.expected)) if error.expected else "",
        phrase("Found: {what}.", what=without_paths(error.found)) if error.found else "",
        f"{error.do[:1].upper()}{without_paths(error.do[1:])}." if error.do else "",
    ]
    what = without_paths(error.what)
    return f"{what[:1].upper()}{what[1:]}.", " ".join(part for part in parts if part)


def without_paths(words: str) -> str:
    """Return words with each path of this machine cut down to its last name."""
    return _PATH.sub(lambda found: re.split(r"[/\\]", found[0].rstrip("/\\"))[-1], words)
