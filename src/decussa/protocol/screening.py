"""The screening before stimulation: topics in our own words, and what an answer means by default.

The result is a reminder built from answers, not a clearance. A flagged answer is judged and signed by the responsible physician
or principal investigator; a site may be stricter than these defaults, and may only loosen an exclusion where its ethics approval
says so. Topics follow Rossi 2009, doi 10.1016/j.clinph.2009.08.016, and Rossi 2011, Clin Neurophysiol 122:1686, whose lists were
never meant as absolute bans; newer risks Rossi 2021, doi 10.1016/j.clinph.2020.10.003. The classes are common practice and in
part from memory: a licensed person of the site confirms them before the form is used.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Literal

from decussa.model.errors import UsageError

#: Counted up whenever a question or a class changes; every screening stores the version it was asked with.
FORM_VERSION = "1"
Answer = Literal["no", "yes", "not known"]
ANSWERS: tuple[Answer, ...] = ("no", "yes", "not known")
Class = Literal["go", "review", "stop"]
_SEVERITY: Mapping[Class, int] = {"go": 0, "review": 1, "stop": 2}


@dataclass(frozen=True, slots=True, kw_only=True)
class Topic:
    """One question: its group on the form, its words, and the class of the answer that flags it, by group of people.

    ``flag`` is the answer that flags; ``not known`` is reviewed at least wherever an answer could flag.
    """

    key: str
    group: str
    name: str
    question: str
    volunteers: Class
    patients: Class
    flag: Literal["yes", "no"] = "yes"

    def class_of(self, answer: str, people: str) -> Class:
        """Return what an answer means for ``volunteers`` or ``patients``."""
        flagged = self.patients if people == "patients" else self.volunteers
        if answer == self.flag:
            return flagged
        return "review" if answer == "not known" and flagged != "go" else "go"


def _topic(key: str, group: str, name: str, question: str, volunteers: Class, patients: Class) -> Topic:
    return Topic(key=key, group=group, name=name, question=question, volunteers=volunteers, patients=patients)


_BODY, _BRAIN, _TODAY = "In the body", "Brain and nerves", "Today"
_HEALTH, _NERVE = "General health", "Skin, back and limbs"
TOPICS: tuple[Topic, ...] = (
    _topic("cochlear implant", _BODY, "Cochlear implant", "Is there an implant in the inner ear?", "stop", "stop"),
    _topic(
        "brain stimulator", _BODY, "Brain stimulator", "Is a stimulator implanted in or on the brain?", "stop", "stop"
    ),
    _topic(
        "other implant", _BODY, "Other implant with electronics or a line to the heart",
        "Is there a pacemaker, defibrillator, nerve or spinal stimulator, medicine pump, or a line in the heart?",
        "stop", "stop",
    ),
    _topic(
        "metal in the head", _BODY, "Metal in or near the head",
        "Apart from dental work, is there metal in or near the head: clip, plate, fragment, splinter in an eye?",
        "stop", "review",
    ),
    _topic(
        "shunt or skull defect", _BODY, "Shunt or gap in the skull",
        "Is there a shunt in the brain, or a gap in the bone of the skull?", "stop", "stop",
    ),
    _topic("seizure ever", _BRAIN, "Seizure or epilepsy", "Has there ever been a seizure, or epilepsy?", "stop", "review"),
    _topic(
        "seizure lately", _BRAIN, "Seizure in the last year",
        "Has there been a seizure within 12 months although medicines were taken, or during the present stay in hospital?",
        "stop", "stop",
    ),
    _topic(
        "seizures in the family", _BRAIN, "Seizures in the family",
        "Has a parent, brother, sister or child had epilepsy or seizures?", "stop", "review",
    ),
    _topic(
        "brain disease", _BRAIN, "Disease of the brain",
        "Has there been a stroke, a tumour, an infection or another disease of the brain?", "stop", "review",
    ),
    _topic(
        "raised pressure", _BRAIN, "Raised pressure in the head", "Is the pressure inside the head raised?", "stop", "stop"
    ),
    _topic(
        "head injury", _BRAIN, "Injury or operation of the head",
        "Has there been a concussion, unconsciousness after a blow, a broken skull, or an operation on the brain?",
        "review", "review",
    ),
    _topic(
        "fainting", _BRAIN, "Fainting",
        "Does the person faint now and then? On which occasions (blood draw, standing, pain, heat)?", "review", "review",
    ),
    _topic(
        "serious event before", _BRAIN, "Serious event in earlier magnetic stimulation",
        "Was there a serious unwanted event in an earlier session of magnetic stimulation?", "stop", "stop",
    ),
    _topic(
        "problem before", _BRAIN, "Any problem in earlier stimulation or imaging",
        "Was anything troublesome in earlier magnetic stimulation or magnetic resonance imaging?", "review", "review",
    ),
    _topic("heart disease", _HEALTH, "Heart disease", "Is there a serious or recent disease of the heart?", "stop", "review"),
    _topic("pregnancy", _HEALTH, "Pregnancy", "Is the person pregnant, or might they be?", "stop", "review"),
    _topic(
        "hearing", _HEALTH, "Hearing",
        "Is hearing poor, do the ears ring, or are medicines taken that can harm hearing?", "review", "review",
    ),
    Topic(
        key="age and consent", group=_HEALTH, name="Age and consent", flag="no",
        question="Is the age within the ethics approval, and can the person consent for themselves?",
        volunteers="stop", patients="stop",
    ),
    _topic(
        "skin", _NERVE, "Skin", "Is skin broken, diseased or allergic where electrodes will be?", "review", "review"
    ),
    _topic(
        "back or nerve", _NERVE, "Back, nerves",
        "Has there been an operation on the back, is there metal in it, or a disease of the nerves of a limb?",
        "review", "review",
    ),
    _topic(
        "no full effort", _NERVE, "No full effort",
        "Does a recent injury or operation forbid pressing or lifting with full force?", "review", "review",
    ),
    _topic(
        "medicines", _TODAY, "Medicines and substances",
        "Are medicines or substances taken that may favour seizures, or were any stopped lately (for instance antidepressants, "
        "antipsychotics, stimulants, theophylline, sedatives, alcohol)?",
        "review", "review",
    ),
    _topic(
        "sleep and alcohol", _TODAY, "Sleep, alcohol, drugs",
        "Was sleep clearly short last night, or was there alcohol or a drug in the last 24 hours?", "review", "review",
    ),
    Topic(
        key="things taken off", group=_TODAY, name="Loose things", flag="no",
        question="Are hearing aids, hair clips, piercings, glasses, telephone and cards taken off or away?",
        volunteers="review", patients="review",
    ),
)  # fmt: skip
KEYS: tuple[str, ...] = tuple(topic.key for topic in TOPICS)


@dataclass(frozen=True, slots=True, kw_only=True)
class Flag:
    """A topic whose answer asks for a decision, or excludes."""

    topic: Topic
    answer: str
    outcome: Class


@dataclass(frozen=True, slots=True, kw_only=True)
class ScreeningResult:
    """The most serious class of all answers, and the topics behind it."""

    outcome: Class
    flags: tuple[Flag, ...]

    @property
    def unflagged(self) -> int:
        """How many answers raise no question."""
        return len(TOPICS) - len(self.flags)


def screen(
    answers: Mapping[str, str],
    people: str,
    *,
    reviewed: Collection[str] = (),
    excluded: Collection[str] = (),
) -> ScreeningResult:
    """Return what the answers come to.

    Parameters
    ----------
    answers : mapping of str to str
        One of ``ANSWERS`` for every topic's key.
    people : str
        ``volunteers`` or ``patients``.
    reviewed, excluded : collection of str
        Topics the site reviews instead of excluding (its approval says so), and topics it excludes instead of reviewing.

    Raises
    ------
    UsageError
        If a topic is not answered, or an answer is none of the three.
    """
    open_topics = [topic.name for topic in TOPICS if answers.get(topic.key) not in ANSWERS]
    if open_topics:
        raise UsageError(
            "screening is not complete",
            expected=f"{', '.join(ANSWERS)} for each topic",
            found=f"no answer to: {'; '.join(open_topics)}",
        )
    flags: list[Flag] = []
    for topic in TOPICS:
        outcome = topic.class_of(answers[topic.key], people)
        if outcome == "stop" and topic.key in reviewed:
            outcome = "review"
        elif outcome == "review" and topic.key in excluded:
            outcome = "stop"
        if outcome != "go":
            flags.append(Flag(topic=topic, answer=answers[topic.key], outcome=outcome))
    classes: list[Class] = ["go", *(flag.outcome for flag in flags)]
    return ScreeningResult(outcome=max(classes, key=_SEVERITY.__getitem__), flags=tuple(flags))
