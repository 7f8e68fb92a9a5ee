"""The methods of a session as a paragraph to paste, and the checklist as text; in brackets what the record does not say."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from decussa.model.recording import Recording
from decussa.model.version import VERSION
from decussa.report import numbers, words
from decussa.report.checklist import Topic, checklist, score
from decussa.report.content import Content
from decussa.report.facts import Fact
from decussa.report.method_record import MethodRecord
from decussa.report.sentences import review_sentence
from decussa.report.tables import method_lines

#: Longest evidence that is printed; the text to paste has all of it.
_LONGEST = 150


def methods_paragraph(content: Content, recordings: Sequence[Recording], record: MethodRecord) -> str:
    """Return how the session was measured, in sentences; a gap stands as ``[coil: not in the record]``."""
    topics = {topic.key: topic for topic in checklist(content, record)}

    def told(key: str, gap: str) -> str:
        return topics[key].reported or f"[{gap}: not in the record]"

    sentences = [
        f"EMG of {_muscles(content)} was recorded with surface electrodes ({told('electrodes', 'electrodes')})"
        f"{_rates(recordings)}{_set_up(record)}.",
        f"Magnetic stimuli were given with {told('stimulator', 'stimulator')} through a coil "
        f"({told('coil', 'coil')}; {told('pulse', 'pulse shape')}; "
        f"{told('orientation', 'orientation')}; current in the brain "
        f"{told('current', 'current direction')}), "
        f"{told('place', 'place')}.",
        f"Best site: {told('hotspot', 'how it was found')}.",
        f"Motor threshold: {told('threshold', 'threshold')}.",
        f"Intensities: {told('intensity', 'intensities')}; time between stimuli: "
        f"{told('spacing', 'time between stimuli')}{f'; order: {record.order}' if record.order else ''}.",
        f"Target muscle: {told('contraction', 'state of the muscle')}.",
    ]
    if topics["interval"].applies:
        sentences.append(
            f"Pairs: conditioning pulse {told('conditioning', 'intensity')}, test pulse "
            f"{told('test', 'intensity')}, intervals {told('interval', 'interval')}."
        )
    sentences += [
        f"Responses: {told('counts', 'number')}; size: {told('size', 'size')}.",
        review_sentence(content.trials),
        f"Ethics approval: {record.approval or '[number: not in the record]'}. Measured and summed up with Decussa {VERSION}; "
        "intervals are 95 %.",
    ]
    return " ".join(sentences)


def methods_text(content: Content, recordings: Sequence[Recording], record: MethodRecord, title: str) -> str:
    """Return paragraph, methods of each value and checklist as plain text (Markdown), to paste."""
    topics = checklist(content, record)
    lines = [
        f"# Methods, {title}",
        "",
        methods_paragraph(content, recordings, record),
        "",
        "## How each value was made",
        "",
    ]
    lines += [f"- {fact.name}: {fact.text}" for fact in method_lines(content.places)]
    lines += [
        "",
        "## Reporting checklist",
        "",
        "Topics after Chipchase 2012, doi 10.1016/j.clinph.2012.05.003, in words of our own.",
        "",
    ]
    lines += [f"{score(topics).capitalize()}.", "", "| | topic | reported | controlled |", "| --- | --- | --- | --- |"]
    for topic in topics:
        nothing = "not in the record" if topic.applies else "no pairs were given"
        cells = [topic.reported or nothing, topic.controlled or (nothing if topic.applies else "")]
        lines.append(f"| {topic.number} | {topic.name} | {' | '.join(cell.replace('|', '/') for cell in cells)} |")
    return _plain("\n".join(lines))


def study_checklist(sessions: Mapping[str, Sequence[Topic]]) -> str:
    """Return the checklist of a study as text: of each topic in how many sessions it is told, and what is told there."""
    count = len(sessions)
    lines = [
        "# Reporting checklist of the study",
        "",
        f"{numbers.count(count, 'session')}: {', '.join(sessions)}. Topics after Chipchase 2012, doi "
        "10.1016/j.clinph.2012.05.003, in words of our own; what differs between sessions stands in full with each of them.",
        "",
        "| | topic | reported | in sessions | controlled | in sessions |",
        "| --- | --- | --- | --- | --- | --- |",
    ]
    for topics in zip(*sessions.values(), strict=True):
        applying = [topic for topic in topics if topic.applies]
        cells = [f"{topics[0].number}", topics[0].name]
        for told in ([topic.reported for topic in applying], [topic.controlled for topic in applying]):
            cells += [_told_in(told), f"{sum(map(bool, told))} of {len(applying)}"]
        lines.append("| " + " | ".join(cell.replace("|", "/") for cell in cells) + " |")
    return _plain("\n".join(lines))


def _told_in(told: Sequence[str]) -> str:
    """Return what several sessions say of one topic, each text once."""
    if not told:
        return "no pairs were given"
    texts = list(dict.fromkeys(text for text in told if text))
    if not texts:
        return "not in the record"
    more = len(texts) - 1
    return f"{texts[0]} (and {more} more, which {'differs' if more == 1 else 'differ'})" if more else texts[0]


def _plain(text: str) -> str:
    return text.replace(numbers.THIN, " ").replace("\u200b", "") + "\n"


def checklist_facts(topics: Sequence[Topic]) -> list[Fact]:
    """Return what is reported, a line for each topic, then what is missing in one."""
    facts = [
        Fact(f"{topic.number} {topic.name}", words.shortened(_evidence(topic), _LONGEST))
        for topic in topics
        if topic.applies and (topic.reported or topic.controlled)
    ]
    missing = [
        f"{topic.number} {topic.name}" for topic in topics if topic.applies and not (topic.reported or topic.controlled)
    ]
    if missing:
        facts.append(Fact("Not in the record, to be added by hand", "; ".join(missing)))
    if any(not topic.applies for topic in topics):
        facts.append(Fact("Do not apply", "topics on pairs: none were given"))
    return facts


def _evidence(topic: Topic) -> str:
    if not topic.controlled:
        return topic.reported
    return f"{topic.reported or 'not reported'} — controlled: {topic.controlled}"


def _muscles(content: Content) -> str:
    return numbers.listed([place.name for place in content.places])


def _rates(recordings: Sequence[Recording]) -> str:
    rates = sorted(
        {one.channels[index].rate_hz for one in recordings for index in one.emg_channels if one.channels[index].rate_hz}
    )
    return f", sampled at {' and '.join(f'{rate:g}' for rate in rates)} Hz" if rates else ""


def _set_up(record: MethodRecord) -> str:
    return f"; {record.set_up}" if record.set_up else ""
