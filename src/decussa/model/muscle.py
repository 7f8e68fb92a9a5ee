"""The muscles the program knows by name, with the windows in which their responses are looked for.

Windows are ms after the test pulse. They follow mean latency minus three standard deviations to the end of the whole
potential; where a published latency exists it is named. Every window can be overridden, and the one used is stored.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

Window = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Muscle:
    """A muscle: how it is written in tables, what else labs call it, where its responses lie.

    ``m_window_ms`` is the window of the direct response to nerve stimulation, None where no nerve is practical to reach.
    """

    key: str
    name: str
    region: str
    window_ms: Window
    m_window_ms: Window | None
    nerve: str = ""
    also: tuple[str, ...] = ()


# Latencies behind the windows: FDI 19.5 (1.45) ms, Cantone 2019, doi 10.3389/fnhum.2019.00185; APB 21.8 (1.5) and foot
# 37.1 (2.9) ms, Jitsakulchaidej 2022, doi 10.1186/s12883-022-02977-8; erector spinae T5-T6 13.4 (2.2) and L4-L5
# 20.8 (1.5) ms, Taniguchi 1999, doi 10.1097/00007632-199901150-00014; the rest is common practice, no source.
# M-wave windows: forearm about 1.5-14 ms, before the H-reflex; from memory, to be confirmed in the lab.
MUSCLES: tuple[Muscle, ...] = (
    Muscle(
        key="FDI", name="first dorsal interosseous", region="hand", window_ms=(15, 50), m_window_ms=(2, 20), nerve="ulnar",
        also=("first dorsal interosseus", "1di", "dorsal interosseous"),
    ),
    Muscle(
        key="APB", name="abductor pollicis brevis", region="hand", window_ms=(15, 50), m_window_ms=(2, 20), nerve="median",
        also=("thenar",),
    ),
    Muscle(
        key="ADM", name="abductor digiti minimi", region="hand", window_ms=(15, 50), m_window_ms=(2, 20), nerve="ulnar",
        also=("hypothenar",),
    ),
    Muscle(
        key="FCR", name="flexor carpi radialis", region="forearm", window_ms=(10, 45), m_window_ms=(1.5, 14), nerve="median",
        also=("wrist flexor", "forearm flexor"),
    ),
    Muscle(
        key="ECR", name="extensor carpi radialis", region="forearm", window_ms=(10, 45), m_window_ms=(1.5, 14),
        nerve="radial", also=("wrist extensor",),
    ),
    Muscle(
        key="BB", name="biceps brachii", region="arm", window_ms=(8, 40), m_window_ms=(1.5, 16), nerve="musculocutaneous",
        also=("biceps", "bic"),
    ),
    Muscle(
        key="LES", name="lumbar erector spinae", region="trunk", window_ms=(10, 50), m_window_ms=None,
        also=("erector spinae", "es", "esl", "lumbar es", "erector", "longissimus", "multifidus", "mf", "lumbar"),
    ),
    Muscle(
        key="TES", name="thoracic erector spinae", region="trunk", window_ms=(6, 40), m_window_ms=None,
        also=("thoracic es", "thoracic"),
    ),
    Muscle(
        key="RA", name="rectus abdominis", region="trunk", window_ms=(8, 45), m_window_ms=None, also=("abdominal",)
    ),
    Muscle(
        key="RF", name="rectus femoris", region="leg", window_ms=(15, 60), m_window_ms=(2, 20), nerve="femoral",
        also=("quadriceps",),
    ),
    Muscle(
        key="TA", name="tibialis anterior", region="leg", window_ms=(22, 75), m_window_ms=(2, 22), nerve="peroneal",
        also=("tib ant", "tibialis"),
    ),
    Muscle(
        key="SOL", name="soleus", region="leg", window_ms=(22, 75), m_window_ms=(2, 22), nerve="tibial"
    ),
    Muscle(
        key="EDB", name="extensor digitorum brevis", region="foot", window_ms=(28, 85), m_window_ms=(2, 22),
        nerve="peroneal",
    ),
)  # fmt: skip

#: Used for a muscle that is not in the list; the trial table then says so in ``method``.
UNKNOWN = Muscle(key="", name="muscle not known", region="", window_ms=(10, 50), m_window_ms=(1.5, 14))

_BY_NAME = {name.lower(): muscle for muscle in MUSCLES for name in (muscle.key, muscle.name, *muscle.also)}
_SIDES = {
    "l": "left", "left": "left", "li": "left", "links": "left", "lt": "left", "sx": "left",
    "r": "right", "right": "right", "re": "right", "rechts": "right", "rt": "right", "dx": "right",
}  # fmt: skip


def side_of(text: str) -> str:
    """Return ``left``, ``right`` or an empty string from a word such as ``L``, ``left`` or ``Re``."""
    return _SIDES.get(text.strip().lower(), "")


def muscle_and_side(label: str) -> tuple[Muscle, str]:
    """Read a muscle and a side out of a channel label such as ``EMG FCR L``, ``FDI_R`` or ``left erector spinae``.

    Returns ``UNKNOWN`` and an empty side where the label does not tell; the longest name that fits wins.
    """
    words = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", label)
    tokens = [token for token in re.split(r"[^0-9A-Za-z]+", words) if token]
    side = next((found for token in tokens if (found := side_of(token))), "")
    rest = [token.lower() for token in tokens if not side_of(token)]
    for length in range(len(rest), 0, -1):
        for start in range(len(rest) - length + 1):
            muscle = _BY_NAME.get(" ".join(rest[start : start + length]))
            if muscle is not None:
                return muscle, side
    return UNKNOWN, side
