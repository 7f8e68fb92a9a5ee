"""How well a mixed model knows its variances, and how the coefficients' covariance follows them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Values = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Sums:
    """Sums over observations: Z'Z (people, q, q), Z'X (people, q, p), X'X (p, p); their number; each column's term (q,)."""

    zz: Values
    zx: Values
    xx: Values
    n: int
    term: NDArray[np.intp]


@dataclass(frozen=True, slots=True, eq=False)
class Information:
    """Twice the expected information (k + 1, k + 1) of the variances, the residual's last, at a residual variance of 1.

    ``sensitivity`` (k + 1, p, p): derivative of the coefficients' covariance by each variance.
    """

    twice: Values
    sensitivity: Values


def information(sums: Sums, woodbury: tuple[Values, Values], s_inverse: Values, k: int) -> Information:
    """Return the information of k random variances and the residual one.

    With H the covariance of the observations over the residual variance and P = H^-1 - H^-1 X S^-1 X' H^-1, the
    information of variances k and l is half the trace of P Z_k Z_k' P Z_l Z_l'; the residual's Z is the identity. The
    powers of H^-1 = I - Z T Z' are written out.

    Parameters
    ----------
    sums : Sums
    woodbury : tuple of arrays
        T Z'Z (people, q, q) and T Z'X (people, q, p).
    s_inverse : array, shape (p, p)
        Inverse of S = X' H^-1 X.
    k : int
        Number of random terms.
    """
    d, w, (td, tw) = sums.zz, sums.zx, woodbury
    dt, wt = np.swapaxes(td, 1, 2), np.swapaxes(w, 1, 2)
    b, c = d - d @ td, w - dt @ w
    f, e = b - dt @ b, c - dt @ c
    tdtw, wtw = td @ tw, (wt @ tw).sum(axis=0)
    twice = (wt @ tdtw).sum(axis=0)
    squared = sums.xx - 2 * wtw + twice
    cubed = sums.xx - 3 * wtw + 3 * twice - (wt @ (td @ tdtw)).sum(axis=0)
    masks = [sums.term == term for term in range(k)]
    gathered = [(own := c[:, mask].reshape(-1, c.shape[2])).T @ own for mask in masks]
    found = np.zeros((k + 1, k + 1))
    cs = c @ s_inverse
    for one in range(k):
        for other in range(k):
            block = b[:, masks[one]][:, :, masks[other]]
            crossed = np.sum((block @ c[:, masks[other]]) * cs[:, masks[one]])
            squares = np.trace(s_inverse @ gathered[one] @ s_inverse @ gathered[other])
            found[one, other] = float(np.sum(block**2)) - 2 * float(crossed) + float(squares)
        plain = np.diagonal(f, axis1=1, axis2=2)[:, masks[one]].sum()
        crossed = np.einsum("iqa,iqa->", cs[:, masks[one]], e[:, masks[one]])
        squares = np.trace(s_inverse @ squared @ s_inverse @ gathered[one])
        found[one, k] = found[k, one] = float(plain) - 2 * float(crossed) + float(squares)
    traces = float(np.trace(td, axis1=1, axis2=2).sum()), float(np.einsum("iqr,irq->", td, td))
    ss = s_inverse @ squared
    found[k, k] = sums.n - 2 * traces[0] + traces[1] - 2 * float(np.trace(s_inverse @ cubed)) + float(np.trace(ss @ ss))
    slopes = [s_inverse @ one @ s_inverse for one in (*gathered, squared)]
    return Information(found, np.array(slopes))
