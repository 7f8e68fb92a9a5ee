"""Small invented trial tables with known make-up; the benches use a richer one."""

from __future__ import annotations

import numpy as np
import pandas as pd

from decussa.batch.trials import complete
from decussa.pool.tidy import Muscle, muscles, with_people


def trials(
    *, people: int = 8, sessions: int = 1, per_condition: int = 10, ratio: float = 0.5, after: float = 1.0, seed: int = 1,
    noise_uv: float = np.nan, spread: float = 0.4, person: float = 0.4, own_ratio: float = 0.15, test_uv: float = 800.0,
) -> pd.DataFrame:  # fmt: skip
    """Return interleaved single and paired trials, log-normal; ``ratio`` of paired over single, ``after`` of later sessions."""
    random = np.random.default_rng(seed)
    rows = []
    for name in range(people):
        level, own = np.log(test_uv) + random.normal(0, person), np.log(ratio) + random.normal(0, own_ratio)
        for session in range(sessions):
            shift = random.normal(0, 0.2) + session * np.log(after)
            for trial in range(2 * per_condition):
                paired = trial % 2 == 1
                size = np.exp(level + shift + paired * own + random.normal(0, spread))
                rows.append({
                    "participant": f"p{name}", "session": str(session + 1), "recording": f"p{name}-{session + 1}.csv",
                    "sweep": trial + 1, "onset_s": 5.0 * trial, "muscle": "FDI", "side": "right",
                    "stim_type": "paired" if paired else "single", "condition": "SICI" if paired else "test",
                    "isi_ms": 2.0 if paired else np.nan, "intensity_mso": 55.0, "background_rms_uv": 2.0,
                    "amplitude_uv": size + 5.0, "size_uv": size, "noise_uv": noise_uv, "latency_ms": 21.0 + random.normal(0, 0.5),
                    "verdict": "accept",
                })  # fmt: skip
    return pd.DataFrame(rows)


def muscle(table: pd.DataFrame, people: pd.DataFrame | None = None, *, reference: str = "") -> Muscle:
    """Return the one muscle of a trial table."""
    (found,) = muscles(with_people(complete(table), people), reference=reference)
    return found
