"""A first version of a mapping, written from what is found: every guess has its ground beside it, every doubt its mark.

What could not be told is ``"?"``, to be answered; a guess that may be wrong ends in ``# doubt: why``, to be confirmed by deleting
these words; the rest was plain.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from decussa.model.errors import DecussaError, RecordingError
from decussa.model.muscle import UNKNOWN
from decussa.model.recording import Channel, Recording
from decussa.recording.draft_columns import ColumnGuess, column_numbers, guess_columns, quote
from decussa.recording.draft_labels import label_lines
from decussa.recording.from_artifacts import ArtifactPulses, find_artifact_pulses
from decussa.recording.mapping import SheetStyle
from decussa.recording.placing import SAME_S
from decussa.recording.read import read
from decussa.recording.sheet import Sheet, read_sheet, read_text

_HEAD = """\
# A mapping of {name}{beside}, drafted from what was found; please go through it.
#   "?"                 could not be told: answer it, or delete the line where it does not matter
#   # doubt: ...        a guess that may be wrong: correct it, or confirm it by deleting these words
# The fields are described in docs/mapping.md. Then: decussa measure {name} {events}--mapping THIS_FILE --out TABLE
"""
#: What a refusal of the reader is about, and the field that answers it.
_ANSWERS = (
    (r"unit", "unit", '"V", "mV", "uV" or "nV"'),
    (r"rate|times", "rate_hz", "samples per second"),
    (r"ax[ei]s|orientation|shape", "axes", 'such as ["sweep", "channel", "sample"]'),
    (r"test pulse|onset", "onset_ms", "time of the test pulse from the first sample of a sweep"),
    (r"array|variable", "variable", "name of the array that holds the samples"),
)  # fmt: skip
#: Samples of surface EMG at rest lie between these, in microvolt (common practice, no source).
_QUIET_UV = (0.05, 2000.0)


def draft_mapping(path: str | Path, events: str | Path | None = None) -> str:
    """Return the text of a mapping for a recording, and for the sheet of stimuli beside it.

    Raises
    ------
    RecordingError
        If the sheet is no table at all.
    MachineError
        If a file cannot be read.
    """
    file = Path(path)
    recording, refusal = _read(file)
    lines = [
        _HEAD.format(
            name=file.name,
            beside=f" and {Path(events).name}" if events else "",
            events=f"--events {Path(events).name} " if events else "",
        )
    ]
    lines += _signal_lines(refusal)
    if recording is not None:
        lines += _channel_lines(recording)
    if events is not None:
        lines += _sheet_lines(Path(events), recording)
    return "\n".join(lines) + "\n"


def _read(path: Path) -> tuple[Recording | None, str]:
    try:
        return read(path), ""
    except RecordingError as error:
        return None, str(error)


def _signal_lines(refusal: str) -> list[str]:
    lines = ["[signals]"]
    if refusal:
        lines.append(f"# The recording could not be read yet: {_one_line(refusal)}")
        asked = [(field, what) for pattern, field, what in _ANSWERS if re.search(pattern, refusal)]
        lines += [f'{field} = "?"  # {what}' for field, what in asked[:1]]
        lines.append("# Fill this in, then draft again: the channels can be listed once the recording can be read.")
    lines.append("# Names for the tables, where the file's name does not give them: participant, session.")
    return [*lines, ""]


def _channel_lines(recording: Recording) -> list[str]:
    lines = [f"# Channels that were found: {len(recording.channels)}."]
    lines += [f"# {note}" for note in recording.notes if "found by their artifacts" not in note]
    for index, channel in enumerate(recording.channels):
        numbered = any(channel.name in note and "taken as EMG" in note for note in recording.notes)
        lines += ["", "[[channels]]", f"name = {quote(channel.name)}", *_kind_line(channel, numbered=numbered)]
        if channel.kind != "emg":
            continue
        known = channel.muscle is not UNKNOWN
        lines.append(
            f"muscle = {quote(channel.muscle.key)}  # {channel.muscle.name}" if known else 'muscle = "?"  # such as FDI'
        )
        lines.append(f"side = {quote(channel.side)}" if channel.side else 'side = "?"  # left or right')
        lines.append(_unit_line(recording, index, channel))
    return [*lines, ""]


def _kind_line(channel: Channel, *, numbered: bool) -> list[str]:
    if numbered:
        return ['kind = "emg"  # doubt: the channel is merely numbered']
    hint = "  # left alone; emg, trigger or ecg would be used" if channel.kind == "other" else ""
    return [f"kind = {quote(channel.kind)}{hint}"]


def _unit_line(recording: Recording, index: int, channel: Channel) -> str:
    if channel.unit in ("counts", "no unit", ""):
        return 'unit = "?"  # the file names none: V, mV, uV or nV'
    line = f"unit = {quote(channel.unit)}  # {channel.rate_hz:g} Hz"
    quiet_uv = _quiet_uv(recording, index)
    if not math.isnan(quiet_uv) and not _QUIET_UV[0] <= quiet_uv <= _QUIET_UV[1]:
        return f"unit = {quote(channel.unit)}  # doubt: half of the samples would lie within {quiet_uv:.3g} uV of their middle"
    return line


def _quiet_uv(recording: Recording, index: int) -> float:
    """Return the median distance of samples from their median before the first stimuli; NaN where there are none."""
    events = [
        event for event in recording.events[:10] if math.isfinite(event.onset_s) or math.isnan(recording.duration_s)
    ]
    if not events:
        return math.nan
    samples = recording.signals.cut(index, events, 100.0, 0.0).samples_uv[:, :-1]
    held = samples[np.isfinite(samples)]
    return float(np.median(np.abs(held - np.median(held)))) if held.size else math.nan


def _sheet_lines(path: Path, recording: Recording | None) -> list[str]:
    sheet, lines = _read_raw(path)
    duration_s = recording.duration_s if recording is not None else math.nan
    guesses = guess_columns(sheet, duration_s if math.isfinite(duration_s) else math.inf)
    pulses = _artifacts(recording)
    lines += _pulse_lines(sheet, guesses, recording, pulses)
    lines += [
        "[columns]",
        f"# {len(sheet.rows)} rows. The product's word on the left, the sheet's column on the right.",
    ]
    for guess in guesses:
        if not guess.word:
            lines.append(f"# {_one_line(guess.column)}: {guess.remark}")
            continue
        fits, doubt = _fits(sheet, guess, recording, pulses)
        remark = f"  # doubt: {doubt}" if doubt else f"  # {fits}" if fits else ""
        lines.append(f"{guess.word} = {quote(guess.column)}{remark}")
    return [*lines, "", *label_lines(sheet, guesses)]


def _read_raw(path: Path) -> tuple[Sheet, list[str]]:
    """Return the sheet as it stands, and the section that says how it is written."""
    lines = ["[sheet]"]
    try:
        text = read_text(path, "utf-8")
        encoding = "utf-16" if path.read_bytes()[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8"
        remark = ""
    except RecordingError:
        encoding = "cp1252" if _decodes(path, "cp1252") else "latin-1"
        text = read_text(path, encoding)
        words = list(dict.fromkeys(re.findall(r"\w*[^\x00-\x7f]\w*", text)))[:4]
        remark = f"  # doubt: not UTF-8; this way it reads {', '.join(words)}"
    first = next((line for line in text.splitlines() if line.strip() and not line.startswith("#")), "")
    delimiter = next((mark for mark in ("\t", ";", "|") if mark in first), ",")
    sheet = read_sheet(path, SheetStyle(encoding=encoding, delimiter=delimiter))
    lines += [f'encoding = "{encoding}"{remark}', f"delimiter = {quote(delimiter)}"]
    return sheet, [*lines, _decimal_line(sheet), ""]


def _decodes(path: Path, encoding: str) -> bool:
    try:
        path.read_bytes().decode(encoding)
    except UnicodeDecodeError:
        return False
    return True


def _decimal_line(sheet: Sheet) -> str:
    if sheet.decimal_comma:
        return 'decimal = ","'
    either = next((cell for row in sheet.rows for cell in row if re.fullmatch(r"[-+]?\d{1,3},\d{3}", cell)), "")
    if either:
        readings = f"{either.replace(',', '.')} or {either.replace(',', '')}"
        return f'decimal = "?"  # "," or ".": {either} may be {readings}'
    return 'decimal = "."'


def _artifacts(recording: Recording | None) -> ArtifactPulses | None:
    try:
        return None if recording is None else find_artifact_pulses(recording, asked=False)
    except DecussaError:
        return None


def _pulse_lines(
    sheet: Sheet, guesses: Sequence[ColumnGuess], recording: Recording | None, pulses: ArtifactPulses | None
) -> list[str]:
    """Say which pulse of a pair a lone trigger marks, where a trigger stands beside pairs."""
    if recording is None or not any(event.pulse_from == "trigger" for event in recording.events):
        return []
    isi = next((column_numbers(sheet, guess.column) for guess in guesses if guess.word == "isi_ms"), None)
    lone = all(event.stimulus.stim_type != "paired" for event in recording.events)
    if not lone or isi is None or not np.isfinite(isi).any():
        return []
    lines = ["[pulses]", "# The trigger shows one pulse for each stimulus, and the sheet holds pairs."]
    pairs = [group for group in (pulses.groups if pulses else ()) if len(group) == 2]
    onsets_s = np.array([event.onset_s for event in recording.events])
    votes = [int(np.argmin([np.abs(onsets_s - time).min() for time in group])) for group in pairs]
    if not votes:
        return [
            *lines,
            'trigger_marks = "test"  # doubt: no artifact tells whether it marks the test or the first pulse',
            "",
        ]
    marks = "first" if np.mean(votes) < 0.5 else "test"
    agree = sum(vote == (marks == "test") for vote in votes)
    told = f"so say {agree} of {len(votes)} pairs of artifacts"
    return [*lines, f'trigger_marks = "{marks}"  # {told if agree == len(votes) else "doubt: " + told}', ""]


def _fits(
    sheet: Sheet, guess: ColumnGuess, recording: Recording | None, pulses: ArtifactPulses | None
) -> tuple[str, str]:
    """Return how a column of onsets fits the pulses of the recording, and the doubt that remains."""
    if guess.word != "onset" or recording is None or not recording.events:
        return "", guess.doubt
    onsets_s = column_numbers(sheet, guess.column)
    pulses_s = np.array([event.onset_s for event in recording.events])
    if onsets_s is None or not np.isfinite(pulses_s).all():
        return "", guess.doubt
    off_s = np.array([np.abs(pulses_s - onset_s).min() for onset_s in onsets_s if math.isfinite(onset_s)])
    if pulses is not None:
        shown_s = np.array([group[-1] for group in pulses.groups])
        by_artifact_s = np.array([np.abs(shown_s - onset_s).min() for onset_s in onsets_s if math.isfinite(onset_s)])
        off_s = np.minimum(off_s, by_artifact_s)
    near = int(np.sum(off_s <= SAME_S))
    words = f"{near} of {off_s.size} lie within a millisecond of a pulse ({recording.events[0].pulse_from})"
    if near == off_s.size == pulses_s.size:
        return words, ""
    return "", f"only {words}; {pulses_s.size} pulses were found"


def _one_line(text: str) -> str:
    return re.sub(r"[\x00-\x1f\x7f]+", " ", text)
