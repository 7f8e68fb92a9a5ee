"""Whether the measuring code is compiled for this machine already: it is on first use, once, and kept on disk."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from decussa.measuring.kernel import read_block, read_block_classically
from decussa.measuring.latency import measure_onset_block

#: What is said before the first use.
FIRST_USE = "First use: preparing the measuring code for this machine, about a minute, once."


def is_prepared(onset: str | None = "model") -> bool:
    """Return whether the code for this way to find onsets lies compiled on disk; made anew where its source has changed."""
    if onset == "threshold":
        return is_kept(read_block_classically)
    return is_kept(read_block) and (onset is None or is_kept(measure_onset_block))


def is_kept(kernel: Any) -> bool:
    """Return whether machine code of a compiled function lies on disk and is not older than the function's source."""
    code = kernel.py_func.__code__
    source = Path(code.co_filename)
    kept = Path(kernel.stats.cache_path).glob(
        f"{source.stem}.{kernel.py_func.__qualname__}-{code.co_firstlineno}.*.nbi"
    )
    return any(index.stat().st_mtime >= source.stat().st_mtime for index in kept)
