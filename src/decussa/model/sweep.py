"""The recording around one stimulus."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from decussa.model.errors import UsageError

SamplesUv = NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sweep:
    """All channels around one stimulus.

    Parameters
    ----------
    samples_uv : ndarray of float32, shape (n_channels, n_samples), microvolt
        Set read-only.
    rate_hz : float
        Sampling rate.
    onset_sample : int
        Index of the sample nearest to the onset of the test pulse.
    channels : tuple of str, length n_channels
        Channel names.
    shift_ms : float
        True onset of the test pulse minus the time of ``onset_sample``, within half a sample. Times measured from
        ``onset_sample`` are corrected by subtracting it.
    """

    samples_uv: SamplesUv
    rate_hz: float
    onset_sample: int
    channels: tuple[str, ...]
    shift_ms: float = 0.0

    def __post_init__(self) -> None:
        if self.samples_uv.ndim != 2 or self.samples_uv.shape[0] != len(self.channels):
            raise UsageError(
                "sweep and channel names do not fit",
                expected=f"samples_uv of shape ({len(self.channels)}, n_samples)",
                found=str(self.samples_uv.shape),
            )
        self.samples_uv.setflags(write=False)

    @property
    def time_ms(self) -> NDArray[np.float64]:
        """Time of each sample in ms from the onset of the test pulse, shape (n_samples,)."""
        steps = np.arange(self.samples_uv.shape[1], dtype=np.float64) - self.onset_sample
        return steps * 1e3 / self.rate_hz - self.shift_ms

    def __eq__(self, other: object) -> bool:
        """Equal when every number is: NaN counts as equal to NaN."""
        if not isinstance(other, Sweep):
            return NotImplemented
        return (
            self.rate_hz == other.rate_hz
            and self.onset_sample == other.onset_sample
            and self.shift_ms == other.shift_ms
            and self.channels == other.channels
            and np.array_equal(self.samples_uv, other.samples_uv, equal_nan=True)
        )

    __hash__ = None  # type: ignore[assignment]
