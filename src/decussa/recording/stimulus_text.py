"""What a lab's free text says about a stimulus, such as ``TMS 52% single``, ``paired 40/80 ISI 3ms`` or ``PNS 12 mA``.

A text counts as a stimulus only if it names one: a kind together with a strength, or nothing but words known here.
Remarks (``rest``, ``start TMS``, ``threshold 52 %``, ``cough``) do not count. Words and habits: common practice, no source.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field
from decimal import Decimal

from decussa.model.errors import RecordingError, UsageError
from decussa.model.muscle import UNKNOWN, muscle_and_side
from decussa.model.stimulus import Stimulus, StimulusType

_SINGLE = frozenset({
    "single", "einzel", "einzelpuls", "einzelreiz", "einzelimpuls", "sp", "ssp", "unconditioned", "test",
    "testpuls", "testreiz",
})  # fmt: skip
_PAIRED = frozenset({
    "paired", "pair", "pp", "ppt", "doppel", "doppelpuls", "doppelreiz", "double", "conditioned", "sici", "icf",
    "lici", "konditioniert", "gepaart",
})  # fmt: skip
_NERVE = frozenset({
    "pns", "nerve", "nerv", "nervenreiz", "mmax", "mwave", "m-wave", "m-welle", "ens", "pes", "electrical",
    "elektrisch",
})  # fmt: skip
_MAGNETIC = frozenset({
    "tms", "pulse", "puls", "impuls", "stim", "stimulus", "stimulation", "reiz", "reizung", "magnetstim",
    "magnetisch", "magnetic", "trigger",
})  # fmt: skip
_NAMED = frozenset({"sici", "icf", "lici"})
#: Words that may stand beside a stimulus and change nothing.
_BESIDE = frozenset({
    "at", "mit", "bei", "on", "of", "the", "and", "und", "mso", "so", "output", "percent", "prozent", "rest",
    "ruhe", "relaxed", "active", "aktiv", "contraction", "kontraktion", "trial", "sweep", "nr", "number",
    "block", "run", "left", "right", "links", "rechts", "l", "r", "li", "re", "isi", "cs", "ts", "nr.", "no.",
    "frame", "mep",
})  # fmt: skip
#: Words that turn the text into a remark, even where it names a kind and a strength.
_REMARK = frozenset({
    "start", "starts", "started", "stop", "stopped", "end", "ended", "ende", "begin", "beginn", "beginning",
    "off", "aus", "no", "kein", "keine", "ohne", "without", "not", "increase", "increased", "decrease",
    "decreased", "raise", "lower", "erhöht", "gesenkt", "change", "changed", "set", "adjust", "adjusted",
    "break", "pause", "search", "suche", "next", "nächste", "ready", "now", "ab", "from", "bis", "until", "to",
    "auf", "threshold", "schwelle", "rmt:", "amt:", "missed", "misfire", "failed", "fehler", "error",
    "question", "before", "nach", "vor", "after",
})  # fmt: skip
_NUMBER = r"(\d+(?:\.\d+)?)"
_CONTRACTION = re.compile(_NUMBER + r"\s*%\s*(?:mvc|mvk|maxkraft|maximalkraft|max\.? force)\b")
_RELATIVE = re.compile(_NUMBER + r"\s*(?:%|x)?\s*(?:of\s+|der\s+)?(?:rmt|amt|mt|rms|ams|mep50|threshold|schwelle)\b")
_CURRENT = re.compile(_NUMBER + r"\s*ma\b")
# "ISI-3" is a dash, "ISI -3" is a minus: the second is read as it stands, so that it can be refused.
_INTERVAL = re.compile(r"\b(?:isi|ipi|intervall?|abstand)(?:\s+(?=-\d)|\s*[:=-]?\s*)(-?\d+(?:\.\d+)?)\s*(?:ms)?\b")
_BARE_INTERVAL = re.compile(_NUMBER + r"\s*ms\b")
_CONDITIONING = re.compile(r"\b(?:cs|cond\w*|kond\w*)\s*[:=]?\s*" + _NUMBER + r"\s*%?")
_TEST = re.compile(r"\b(?:ts|test\w*)\s*[:=]?\s*" + _NUMBER + r"\s*%?")
_PAIR = re.compile(_NUMBER + r"\s*%?\s*[/|+–-]\s*" + _NUMBER + r"\s*(?:%\s*(?:mso)?)?(?![\d.])")
_STRENGTH = re.compile(_NUMBER + r"\s*%\s*(?:mso\b)?")


@dataclass(frozen=True, slots=True)
class StimulusText:
    """What was read: the stimulus, its condition by name (``SICI``) and the contraction in % MVC, NaN if not said."""

    stimulus: Stimulus
    condition: str = ""
    contraction_pct: float = math.nan


@dataclass(slots=True)
class _Rest:
    """The text that nothing has been read from yet."""

    text: str
    words: set[str] = field(default_factory=set)

    def take(self, pattern: re.Pattern[str]) -> tuple[float, ...]:
        """Cut the first match out and return its numbers; none where there is no match."""
        found = pattern.search(self.text)
        if found is None:
            return ()
        self.text = f"{self.text[: found.start()]} {self.text[found.end() :]}"
        return tuple(float(number) for number in found.groups())

    def number(self, pattern: re.Pattern[str]) -> float:
        """Cut the first match out and return its number; NaN where there is no match."""
        numbers = self.take(pattern)
        return numbers[0] if numbers else math.nan


def read_stimulus_text(text: str, *, where: str) -> StimulusText | None:
    """Read a stimulus out of free text; None where the text names none.

    Intensities are taken only where a percent sign (of maximum output) or ``mA`` says so: a bare number may count trials,
    and percent of a motor threshold is no output. What is not said is NaN.

    Raises
    ------
    RecordingError
        If the text names a stimulus that contradicts itself, such as a pair without an interval.
    """
    rest = _Rest(_tidy(text))
    contraction = rest.number(_CONTRACTION)
    relative = bool(rest.take(_RELATIVE))
    current = rest.number(_CURRENT)
    isi = rest.number(_INTERVAL)
    cond, test = rest.number(_CONDITIONING), rest.number(_TEST)
    words = set(re.findall(r"[^\W\d_][\w.:#-]*", rest.text))
    pair = bool(words & _PAIRED) or not math.isnan(cond) or not math.isnan(isi)
    if pair and math.isnan(cond):
        cond, test = rest.take(_PAIR) or (cond, test)
    if pair and math.isnan(isi):
        isi = rest.number(_BARE_INTERVAL)
    if math.isnan(test):
        test = rest.number(_STRENGTH)
    words = set(re.findall(r"[^\W\d_][\w.:#-]*", rest.text))
    if not _names_stimulus(words, strength=relative or not all(map(math.isnan, (current, isi, test)))):
        return None
    kind = _kind(words, current=current, isi=isi, text=text, where=where)
    named = sorted(words & _NAMED)
    stimulus = _build(kind, test=test, cond=cond, isi=isi, current=current, text=text, where=where)
    return StimulusText(stimulus, named[0].upper() if named else "", contraction)


def _tidy(text: str) -> str:
    lower = " ".join(text.lower().replace("_", " ").split()).replace("m wave", "m-wave")
    lower = re.sub(r"(?<=\d),(?=\d)", ".", lower)
    return re.sub(r"(?<=\d)\s*(?:percent|prozent)\b", "%", lower)


def _names_stimulus(words: set[str], *, strength: bool) -> bool:
    kinds = words & (_SINGLE | _PAIRED | _NERVE | _MAGNETIC)
    others = {word for word in words - kinds - _BESIDE if muscle_and_side(word) == (UNKNOWN, "")}
    if words & _REMARK or (kinds and kinds <= _PAIRED and not strength):
        return False  # a pair without strengths is the heading of a block, such as SICI
    if kinds - {"test", "trigger"}:
        return strength or not others
    return strength and not others


def _kind(words: set[str], *, current: float, isi: float, text: str, where: str) -> StimulusType:
    nerve = bool(words & _NERVE) or not math.isnan(current)
    magnetic = bool(words & (_SINGLE | _PAIRED | {"tms", "magnetic", "magnetisch", "magnetstim"})) or not math.isnan(
        isi
    )
    paired = bool(words & _PAIRED) or not math.isnan(isi)
    if (nerve and magnetic) or (paired and words & (_SINGLE - {"test"})):
        raise RecordingError(
            "text names stimuli of two kinds",
            where=where,
            expected="one of single, paired and nerve",
            found=repr(text),
            do="give the stimuli in a sheet of events",
        )
    if nerve:
        return "nerve"
    return "paired" if paired else "single"


def _build(
    kind: StimulusType, *, test: float, cond: float, isi: float, current: float, text: str, where: str
) -> Stimulus:
    values = {
        "single": {"intensity_mso": test},
        "paired": {"intensity_mso": test, "cond_intensity_mso": cond, "isi_ms": isi},
        "nerve": {"current_ma": current},
    }[kind]
    return build_stimulus(kind, values, where=where, found=f" in {text!r}")


def build_stimulus(kind: StimulusType, values: dict[str, float], *, where: str, found: str = "") -> Stimulus:
    """Return the stimulus, or raise ``RecordingError`` that names ``where`` its values contradict each other."""
    try:
        return Stimulus(stim_type=kind, **values)
    except UsageError as error:
        raise RecordingError(
            error.what,
            where=where,
            expected=error.expected,
            found=f"{error.found}{found}",
            do="correct it and try again",
        ) from error


def describe_stimulus(stimulus: Stimulus, contraction_pct: float = math.nan) -> str:
    """Return text that ``read_stimulus_text`` reads as the same stimulus, such as ``TMS 52% single``."""
    if stimulus.stim_type == "nerve":
        words = ["PNS", _said("", stimulus.current_ma, " mA")]
    elif stimulus.stim_type == "single":
        words = ["TMS", _said("", stimulus.intensity_mso, "%"), "single"]
    else:
        words = [
            "TMS paired",
            _said("CS ", stimulus.cond_intensity_mso, "%"),
            _said("TS ", stimulus.intensity_mso, "%"),
            _said("ISI ", stimulus.isi_ms, " ms"),
        ]
    if contraction_pct > 0:
        words.append(_said("at ", contraction_pct, "% MVC"))
    return " ".join(word for word in words if word)


def _said(before: str, number: float, unit: str) -> str:
    """Return a number in all its digits, never with an exponent; nothing for NaN."""
    return "" if math.isnan(number) else f"{before}{format(Decimal(repr(float(number))), 'f').removesuffix('.0')}{unit}"
