"""The exponential function of what is not above 0, for many numbers at once: written for vector units.

exp(x) = exp(x / 256)^256; the inner one by the first nine terms of its series, which leave an error below 1e-6 of the value down
to x = -80 and below 1e-12 from x = -1 on.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from decussa.measuring.compiled import regrouped

Array = NDArray[np.float64]

#: From here on down the value is taken for 0.
LEAST = -80.0


@regrouped
def exponentials(logs: Array, out: Array) -> None:
    """Fill ``out`` with exp(``logs``) for logs of 0 and below; the two are different arrays."""
    for k in range(logs.size):
        y = (logs[k] if logs[k] > LEAST else LEAST) * (1.0 / 256.0)
        part = 1.0 + y * (1.0 / 8.0)
        part = 1.0 + y * (1.0 / 7.0) * part
        part = 1.0 + y * (1.0 / 6.0) * part
        part = 1.0 + y * (1.0 / 5.0) * part
        part = 1.0 + y * (1.0 / 4.0) * part
        part = 1.0 + y * (1.0 / 3.0) * part
        part = 1.0 + y * (1.0 / 2.0) * part
        part = 1.0 + y * part
        part *= part
        part *= part
        part *= part
        part *= part
        part *= part
        part *= part
        part *= part
        part *= part
        out[k] = part if logs[k] > LEAST else 0.0
