"""What things are called on the page: muscles, conditions, quantities; and the cautions every report carries."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping

from decussa.model.muscle import MUSCLES
from decussa.report.numbers import THIN, quantity

_MUSCLE_NAMES = {muscle.key: muscle.name for muscle in MUSCLES}

#: Name on the page of each quantity of the summary; ``{}`` stands for the condition.
QUANTITIES: Mapping[str, str] = {
    "mep_status": "Response obtainable",
    "rmt": "Resting motor threshold",
    "amt": "Active motor threshold",
    "mmax": "Maximal M-wave (Mmax)",
    "test_intensity": "Test intensity",
    "base": "Base",
    "trunk_test": "Test level",
    "rmt_recheck": "Resting motor threshold, re-check",
    "hotspot_x": "Hotspot to the right",
    "hotspot_y": "Hotspot to the front",
    "mep_amplitude": "Size, {}",
    "mep_amplitude_arithmetic": "Mean size, {}",
    "mep_mmax_pct": "the same, of Mmax",
    "mep_latency": "Onset latency, {}",
    "mep_area": "Area, {}",
    "silent_period": "Silent period, {}",
    "sici_ratio": "SICI, {}",
    "icf_ratio": "ICF, {}",
    "lici_ratio": "LICI, {}",
    "paired_ratio": "Paired over single, {}",
    "lici_second_first": "LICI, second over first, {}",
    "tracked_test": "Tracked intensity, test alone",
    "tracked_inhibition": "Tracked inhibition, {}",
    "s50": "Half of the curve’s maximum",
    "slope": "Slope at half of the maximum",
    "mep_max": "Maximum of the curve",
    "curve_threshold": "Foot of the curve",
    "background_rms": "Background EMG, {}",
    "isi_measured": "Interval measured, {}",
}
RATIOS = ("sici_ratio", "icf_ratio", "lici_ratio", "paired_ratio")

#: What the program is and is not: shown in every report.
ABOUT_THE_REPORT = (
    "Decussa helps to plan, log and analyse sessions. It is not a medical device, gives no medical advice and does not "
    "decide whether a person may be stimulated. That decision belongs to a qualified person under your ethics approval, "
    "your institution’s rules and the law.",
    "Automatic markings are proposals. Unreviewed values are labelled as such in every table and report.",
    "The result of a screening is a reminder built from answers, not a clearance. Any flagged answer must be judged and "
    "signed by the responsible physician or principal investigator before stimulation.",
    "Use in patients only under supervision of licensed professionals.",
)
BEFORE_THE_NEXT_PULSE = (
    "Check: consent signed · screening valid today · ear protection on participant and operator · second trained person "
    "present · emergency plan known · participant knows how to stop.",
    "Never exceed the limits given by the manufacturers of stimulator and coil, or those of your approval. Where a "
    "default of this program is higher, the lower limit holds.",
    "Intervals shorter than the approved minimum turn single pulses into repetitive stimulation, which needs a different "
    "approval.",
    "Nerve stimulation: do not use with implanted electronic devices or across the chest. Raise current slowly. Stop on "
    "request.",
    "Adverse event: stop. Coil away. Care for the person first; log later. Call the emergency number when in doubt.",
)


def muscle_name(key: str) -> str:
    """Return the muscle's name with a capital, or the channel's own name where the muscle is not known."""
    name = _MUSCLE_NAMES.get(key, key)
    return f"{name[:1].upper()}{name[1:]}" if name else "Muscle not named"


def place_name(key: str, side: str) -> str:
    """Return ``FDI right``, as in tables and headings."""
    return " ".join(part for part in (key or "muscle not named", side) if part)


def condition_name(condition: str, stim_type: str = "") -> str:
    """Return what the lab calls the condition, or its type where it has no name."""
    return condition or {"paired": "paired pulses", "nerve": "nerve pulse"}.get(stim_type, "single pulse")


def quantity_name(name: str, condition: str) -> str:
    """Return what a quantity is called, with the condition where that is part of it."""
    if name in QUANTITIES:
        return QUANTITIES[name].format(condition).removesuffix(", ")
    spoken = name.replace("_", " ")
    return f"{spoken[:1].upper()}{spoken[1:]}" + (f", {condition}" if condition else "")


def setting(intensity_mso: float, cond_intensity_mso: float = math.nan, current_ma: float = math.nan) -> str:
    """Return ``55 % MSO``, ``50 + 90 % MSO`` or ``12.5 mA``; empty where nothing is known."""
    if math.isfinite(current_ma):
        return quantity(current_ma, "mA")
    strengths = [f"{value:g}" for value in (cond_intensity_mso, intensity_mso) if math.isfinite(value)]
    return f"{' + '.join(strengths)}{THIN}%{THIN}MSO" if strengths else ""


def in_print(text: str) -> str:
    """Return a sentence of the tables as it is printed: µ for u, numbers tied to their unit, sides of a range closed up."""
    text = re.sub(r"\buV\b", "µV", text)
    text = re.sub(r"(\d) (%|ms|mV|µV|mA|Hz|s\b)", rf"\1{THIN}\2", text)
    return re.sub(rf"(\d{THIN}%) (MSO|MVC)", rf"\1{THIN}\2", text)


def breakable(text: str, longest: int = 24) -> str:
    """Return a name that may be broken between lines: after separators, and within very long stretches."""
    text = re.sub(r"([/_\-.=,;:])(?=\S)", "\\1\u200b", text)
    return re.sub(rf"([^\s\u200b]{{{longest}}})(?=[^\s\u200b])", "\\1\u200b", text)


def shortened(text: str, most: int) -> str:
    """Return the text, cut after so many characters with an ellipsis."""
    text = " ".join(text.split())
    return text if len(text) <= most else f"{text[: most - 1].rstrip()}…"
