"""What a shared study says about itself: the README of the data set, and how its tables came about."""

from __future__ import annotations

from collections.abc import Sequence

from decussa.compose.shared_sessions import SharedSession


def readme_of(sessions: Sequence[SharedSession], *, shifted: bool, draft: str) -> str:
    """Return the README, in Markdown."""
    protocol = sessions[0].protocol
    people = dict.fromkeys(one.label for one in sessions)
    stimuli = sum(len(piece.given) for one in sessions for piece in one.pieces)
    muscles = "; ".join(f"{muscle.label} ({muscle.electrodes})" for muscle in protocol.muscles)
    parts = [
        f"# {protocol.study.name}",
        _virtual(sessions),
        protocol.study.purpose,
        f"Transcranial magnetic stimulation with surface EMG: {len(people)} participants, {len(sessions)} sessions, {stimuli} "
        f"stimuli with a sweep. Muscles: {muscles}.",
        "## Recordings",
        "Each `*_emg.bdf` holds the sweeps of a session one after the other; nothing was recorded between them. A row of "
        "`events.tsv` says with `segment_start_s` and `segment_end_s` which stretch belongs to its stimulus; do not filter or "
        "cut across its ends (annotations `EDGE boundary` mark them). Zeros after the last stretch only fill the file. "
        "`onset` counts in the file, `session_s` in the session. Samples are stored in 24 bits: they differ from what was "
        "recorded by at most half a step.",
        "`window_start_ms` and `window_end_ms` of `channels.tsv` say where responses were looked for. Electrodes have words, not "
        "coordinates: none were measured.",
        "## Values",
        "`derivatives/decussa` holds one row per stimulus and muscle (`trials.tsv`), with verdict and, where somebody looked at "
        "it, the rater; and what they sum up to (`summary.tsv`), with interval, number of trials and method. Missing is an empty "
        "cell.",
        "## Privacy",
        "Labels are pseudonyms. Answers to the screening and names of operators are not in this data set, nor is anybody who "
        "withdrew before it was made. " + _dates(shifted=shifted),
        draft_sentence(draft) if draft else "",
    ]
    return "\n\n".join(part for part in parts if part)


def _virtual(sessions: Sequence[SharedSession]) -> str:
    rehearsed = sum(one.rehearsal for one in sessions)
    if not rehearsed:
        return ""
    which = "All sessions are" if rehearsed == len(sessions) else f"{rehearsed} of {len(sessions)} sessions are"
    return f"**{which} rehearsals on virtual participants: no person was stimulated in them.**"


def _dates(*, shifted: bool) -> str:
    if shifted:
        return "Dates are shifted, for each person by days of their own; time of day (UTC) and days between sessions are real."
    return "Dates are real, in UTC."


def draft_sentence(draft: str) -> str:
    """Return what must be known of files after a draft."""
    return f"Files in `nibs/` follow {draft}, which is not released: names may change, and validators are told to pass them by."


def methods_words(sessions: Sequence[SharedSession]) -> str:
    """Return how the tables came about."""
    methods = dict.fromkeys(str(text) for one in sessions for text in one.trials["method"].unique() if text)
    lines = "\n".join(f"- {text}" for text in methods)
    return (
        "Values and verdicts are those of the sessions; where a rater reviewed a trial, `reviewed_by` says who, and verdict and "
        "marks are theirs. Automatic markings are proposals: rows without a rater are unreviewed. How single trials were "
        f"measured:\n\n{lines}\n\nThe summary's column `method` says how each value was estimated."
    )
