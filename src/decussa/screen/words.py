"""The app's sentences: present tense, number first, one thought each. Every text is escaped by who puts it on a page."""

from __future__ import annotations

import math

from decussa.model.dialogue import Deliver
from decussa.model.estimate import Estimate
from decussa.model.muscle import muscle_and_side

THIN = "\u202f"
MINUS = "\u2212"
_PARTS = {"arm": "upper arm", "trunk": "back", "": "muscle"}
_QUANTITIES = {
    "rmt": ("Resting threshold", "% MSO"),
    "amt": ("Active threshold", "% MSO"),
    "base": ("Base", "% MSO"),
    "trunk_test": ("Test level", "% MSO"),
    "test_intensity": ("Test intensity", "% MSO"),
    "hotspot_x": ("Hotspot, to the right", "cm"),
    "hotspot_y": ("Hotspot, forward", "cm"),
    "mmax": ("Mmax", "µV"),
    "mvc": ("Maximal contraction", "µV RMS"),
}
_STEPS = {
    "mvc": "Maximal contraction",
    "mmax": "Mmax",
    "rmt": "Resting threshold",
}

FIRST_AID = (
    (
        "Pale, warm, sick, vision narrows, slumps",
        "A faint. Coil away. Lay the person flat, raise the legs, check breathing and pulse, stay. Short jerks can be part of a "
        "faint. No further pulse today; a physician sees the person before any return.",
    ),
    (
        "Stiffens, then jerks; eyes or head turn; no answer",
        "A seizure. Coil away. Call the emergency number. Protect from injury, nothing in the mouth, note the time. When it "
        "ends, recovery position, stay until help is there. The person does not go home alone.",
    ),
    (
        "Headache, neck pain, ringing ears, anything else",
        "Coil away. Ask, look, write it down. Ringing or dull hearing: no further pulse today. When in doubt, end the session.",
    ),
)


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
    low = "no lower limit" if math.isinf(estimate.low) else number(estimate.low, digits)
    high = "no upper limit" if math.isinf(estimate.high) else number(estimate.high, digits)
    return f"[{low}, {high}]"


def value_of(estimate: Estimate) -> str:
    """Return the value alone, or a dash."""
    return "—" if math.isnan(estimate.value) else number(estimate.value, digits_of(estimate))


def quantity(key: str) -> tuple[str, str, str]:
    """Return name, unit and muscle of a finding such as ``FDI right/rmt``."""
    label, _, name = key.rpartition("/")
    words, unit = _QUANTITIES.get(name, (name.replace("_", " "), ""))
    return words, unit, label


def step_title(step: str, request: Deliver | None = None) -> str:
    """Return a step's name as a heading; a threshold says which."""
    if step == "threshold":
        active = request is not None and request.contraction_pct > 0
        return "Active threshold" if active else "Resting threshold"
    return _STEPS.get(step, step[:1].upper() + step[1:])


def body_part(label: str) -> str:
    """Return where a muscle is, in plain words: ``left forearm``."""
    muscle, side = muscle_and_side(label)
    return f"{side} {_PARTS.get(muscle.region, muscle.region)}".strip()


def target_words(label: str) -> str:
    """Return a muscle as a heading names it: ``left forearm (FCR)``."""
    muscle, _ = muscle_and_side(label)
    return f"{body_part(label)} ({muscle.key})" if muscle.key else label


def instruction(request: Deliver) -> str:
    """Return what to do, in two short sentences."""
    what = {"single": "Single pulse.", "paired": "Paired pulse.", "nerve": "Nerve pulse."}[request.stimulus.stim_type]
    part = body_part(request.muscle)
    part = part[:1].upper() + part[1:]
    if request.contraction_pct:
        return f"{what} {part} held at {request.contraction_pct:g}{THIN}% of maximum."
    return f"{what} {part} at rest."


def site_words(site_cm: tuple[float, float]) -> str:
    """Return a coil site: ``5 cm out on the left, 1 cm forward of the vertex``."""
    right, front = site_cm
    out = (
        f"{number(abs(right), 1).removesuffix('.0')} cm out on the {'right' if right > 0 else 'left'}"
        if right
        else "on the midline"
    )
    along = (
        f"{number(abs(front), 1).removesuffix('.0')} cm {'forward' if front > 0 else 'back'}" if front else "level with"
    )
    return f"{out}, {along}{' of' if front else ''} the vertex"


def spoken(request: Deliver, number_: int) -> str:
    """Return the whole setting as a screen reader says it."""
    stimulus = request.stimulus
    if stimulus.stim_type == "nerve":
        setting = f"Set {stimulus.current_ma:g} mA."
    elif stimulus.stim_type == "paired":
        setting = (
            f"Set conditioning {stimulus.cond_intensity_mso:g} %, interval {stimulus.isi_ms:g} ms, "
            f"test {stimulus.intensity_mso:g} %."
        )
    else:
        setting = f"Set {stimulus.intensity_mso:g} %."
    site = f" Coil {site_words(request.site_cm)}." if request.site_cm else ""
    return f"Pulse {number_}. {setting} {instruction(request)}{site}"


def gate_sentence(count: int) -> str:
    """Return how many gates are open, as the page's first sentence."""
    names = ("Nothing is", "One thing is", "Two things are", "Three things are", "Four things are", "Five things are")
    return f"{names[min(count, 5)]} open before the first pulse."
