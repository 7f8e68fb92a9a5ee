"""A recording: channels, the stimuli that were found in it, and a way to cut sweeps without loading it whole."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from decussa.model.muscle import UNKNOWN, Muscle, Window
from decussa.model.stimulus import Stimulus
from decussa.model.sweep import SamplesUv
from decussa.model.trial import Verdict

ChannelKind = Literal["emg", "trigger", "ecg", "other"]
PulseFrom = Literal["events", "trigger", "annotation", "artifact"]


@dataclass(frozen=True, slots=True)
class Windows:
    """Windows of a channel in ms after the test pulse: of the MEP, and of the M-wave; None where it has none."""

    window_ms: Window | None
    m_window_ms: Window | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Channel:
    """One channel as it stands in the file.

    ``unit`` is the unit written in the file (samples leave the reader in microvolt). ``low_uv`` and ``high_uv`` are the
    ends of the converter's range in microvolt, infinite where the format does not tell: a sample there is clipped.
    ``windows`` are those that the data set says its responses were looked for in, in place of the muscle's own.
    """

    name: str
    kind: ChannelKind
    rate_hz: float
    unit: str = "uV"
    muscle: Muscle = UNKNOWN
    side: str = ""
    low_uv: float = -math.inf
    high_uv: float = math.inf
    windows: Windows | None = None

    @property
    def muscle_label(self) -> str:
        """The muscle's key, or the channel's own name where the muscle is not known."""
        return self.muscle.key or self.name


@dataclass(frozen=True, slots=True, kw_only=True)
class StimulusEvent:
    """One stimulus in a recording: when, what, how it was found, and what the lab wrote beside it.

    ``sweep`` counts from 1. ``onset_s`` is the onset of the test pulse in seconds from the start of the recording (for
    sweeps that were already cut: from the start of the session where known, else NaN). Empty text and NaN are "not said".
    ``muscle`` names the target where only one muscle is meant; ``label`` is the text the stimulus was read from.
    What a session knew besides: ``target``, the muscle it judged; ``session_s``, seconds from its start; ``verdict``, what it
    said; ``stop_within``, by which factor the ratios of its block had to be known to end it early.
    ``segment_s`` is the stretch of the file, in seconds, that holds this sweep without a gap. ``site_right_cm`` and
    ``site_front_cm`` are where the coil was asked to be, along the scalp from the vertex.
    """

    sweep: int
    onset_s: float
    stimulus: Stimulus
    pulse_from: PulseFrom
    condition: str = ""
    block: str = ""
    timepoint: str = ""
    contraction_pct: float = math.nan
    stim_side: str = ""
    muscle: str = ""
    label: str = ""
    target: str = ""
    session_s: float = math.nan
    stop_within: float = math.nan
    segment_s: tuple[float, float] | None = None
    verdict: Verdict | None = None
    site_right_cm: float = math.nan
    site_front_cm: float = math.nan


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SweepBatch:
    """Sweeps of one channel, cut around their stimuli.

    Parameters
    ----------
    samples_uv : ndarray of float32, shape (n_sweeps, n_samples), microvolt
        NaN where the recording holds no sample.
    rate_hz : float
        Sampling rate.
    onset_sample : int
        Index of the sample nearest to the onset of the test pulse, the same for all.
    shift_ms : ndarray of float64, shape (n_sweeps,)
        True onset minus the time of ``onset_sample``; times measured from that sample are corrected by subtracting it.
    """

    samples_uv: SamplesUv
    rate_hz: float
    onset_sample: int
    shift_ms: NDArray[np.float64]


class Signals(Protocol):
    """Where the samples of a recording come from: a file on disk, or sweeps in memory."""

    def cut(self, channel: int, events: Sequence[StimulusEvent], before_ms: float, after_ms: float) -> SweepBatch:
        """Return the sweeps of ``events`` on ``channel``, from ``before_ms`` before the test pulse to ``after_ms`` after.

        Only the bytes of these sweeps are read. Sweeps that were already cut keep their own span where it is shorter.
        """
        ...


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Recording:
    """What one file, or one BIDS recording, holds.

    Parameters
    ----------
    name : str
        Name of the recording in tables: the file's name, relative to the data set's root where there is one.
    path : str
        Where it was read from, for messages.
    channels : tuple of Channel
        All channels, in file order; ``signals.cut`` counts them in this order.
    events : tuple of StimulusEvent
        The stimuli, in order of onset.
    signals : Signals
        Cuts sweeps in microvolt.
    participant, session, task, run : str
        Labels without their BIDS prefix; empty where not known.
    duration_s : float
        Length of the recording; NaN for sweeps already cut.
    start : str
        ISO date and time of the first sample, empty where not known.
    sha256 : str
        Of the file with the samples; empty until asked for (see ``recording.read.fingerprint``).
    notes : tuple of str
        What was assumed or repaired while reading, each a plain sentence.
    facts : dict of str to str
        What the file or sidecar says about the set-up, for the report: filters, reference, electrodes, coil.
    """

    name: str
    path: str
    channels: tuple[Channel, ...]
    events: tuple[StimulusEvent, ...]
    signals: Signals
    participant: str = ""
    session: str = ""
    task: str = ""
    run: str = ""
    duration_s: float = math.nan
    start: str = ""
    sha256: str = ""
    notes: tuple[str, ...] = ()
    facts: dict[str, str] = field(default_factory=dict)

    @property
    def emg_channels(self) -> tuple[int, ...]:
        """Indices of the EMG channels."""
        return tuple(index for index, channel in enumerate(self.channels) if channel.kind == "emg")
