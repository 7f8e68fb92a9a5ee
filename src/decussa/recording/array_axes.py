"""Which axis of an array counts sweeps, channels and samples: every assignment is held against all that is known."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from pathlib import Path

from decussa.model.errors import RecordingError

#: A sweep is longer than the shortest response and shorter than the pause between stimuli; in seconds. Common practice,
#: no source.
SWEEP_S = (0.02, 20.0)
#: More channels than this have labels. Common practice, no source.
_MOST_UNNAMED = 16
_MOST_CHANNELS = 512


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """What is known about an array.

    Parameters
    ----------
    rate_hz : float
        Sampling rate.
    n_labels : int
        How many channels are named; 0 where none are. Arrays with one channel each have 1.
    columns : frozenset of int
        Lengths of what is said stimulus by stimulus.
    n_times : int
        Length of the vector of times; 0 where there is none.
    onset_s : float or None
        Time of the test pulse from the first sample of a sweep; None where nothing tells.
    onsets_s : float or None
        Greatest onset of a continuous recording; None where there are none.
    axes : tuple of str
        Names of the axes, where file or mapping tells them.
    has_sweeps : bool
        Whether the name of the array says that it holds sweeps.
    """

    rate_hz: float
    n_labels: int
    columns: frozenset[int]
    n_times: int
    onset_s: float | None
    onsets_s: float | None
    axes: tuple[str, ...]
    has_sweeps: bool


def decide_axes(path: Path, name: str, shape: tuple[int, ...], known: Evidence) -> tuple[str, ...]:
    """Return what each axis counts: ``sweep``, ``channel``, ``sample``, or ``one`` for an axis of length 1 that may be any.

    Raises
    ------
    RecordingError
        If no assignment agrees with what is known, or several do; the message names them.
    """
    if known.axes:
        if len(known.axes) != len(shape) or "sample" not in known.axes:
            raise RecordingError(
                f"axes do not fit array {name}", where=path,
                expected=f"{len(shape)} names, one of them sample", found=", ".join(known.axes),
            )  # fmt: skip
        return known.axes
    fitting = [axes for axes in _assignments(shape) if _fits(axes, shape, known)]
    if len(fitting) == 1:
        return fitting[0]
    words = [" x ".join(axes) for axes in fitting]
    raise RecordingError(
        f"axes of array {name} cannot be told apart"
        if fitting
        else f"array {name} fits nothing that is known about it",
        where=path,
        expected="axes of sweeps, channels and samples that agree with labels, lengths and rate",
        found=f"shape {'x'.join(map(str, shape))}, {_say(known)}"
        + (f"; it may be {' or '.join(words)}" if words else ""),
        do='say in a mapping, such as axes = ["sweep", "sample", "channel"]',
    )


def _assignments(shape: tuple[int, ...]) -> list[tuple[str, ...]]:
    long = [axis for axis, extent in enumerate(shape) if extent > 1]
    found = []
    for roles in itertools.permutations(("sweep", "channel", "sample"), len(long)):
        if "sample" in roles:
            axes = ["one"] * len(shape)
            for axis, role in zip(long, roles, strict=True):
                axes[axis] = role
            found.append(tuple(axes))
    return found


def _fits(axes: tuple[str, ...], shape: tuple[int, ...], known: Evidence) -> bool:
    extent = dict(zip(axes, shape, strict=True))
    samples, channels, sweeps = extent["sample"], extent.get("channel", 1), extent.get("sweep", 1)
    seconds = samples / known.rate_hz
    if known.n_times and samples != known.n_times:
        return False
    if channels >= samples or channels > _MOST_CHANNELS or seconds < SWEEP_S[0]:
        return False
    if channels != known.n_labels if known.n_labels else channels > _MOST_UNNAMED:
        return False
    cut = sweeps > 1 or known.onset_s is not None
    if cut and seconds > SWEEP_S[1]:
        return False
    if known.onset_s is not None and not 0 <= known.onset_s < seconds:
        return False
    if sweeps > 1:
        return not (known.columns and sweeps not in known.columns) and known.onsets_s is None
    if known.onsets_s is not None and known.onset_s is None:
        return seconds > known.onsets_s
    return not known.has_sweeps and not (known.columns and max(known.columns) > 1)


def _say(known: Evidence) -> str:
    parts = [
        f"{known.rate_hz:g} Hz",
        f"{known.n_labels} channels named" if known.n_labels else "no channel named",
        f"{'/'.join(map(str, sorted(known.columns)))} stimuli described" if known.columns else "no stimulus described",
        "place of the test pulse not told" if known.onset_s is None else f"test pulse at {known.onset_s * 1e3:g} ms",
    ]
    return ", ".join(parts)
