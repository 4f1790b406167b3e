"""Between which numbers can a cell that is not shown lie, for all that the shown sums tell?"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from scipy import optimize

_FOUND, _UNBOUNDED = 0, 3


def possible_range(
    signs: Sequence[Sequence[float]],
    sums: Sequence[float],
    low: Sequence[float],
    high: Sequence[float | None],
    cell: int,
) -> tuple[float, float]:
    """Between which numbers can one unknown of a set of linear sums lie?

    The smallest and the largest x_cell for which ``signs · x = sums`` and ``low ≤ x ≤ high``, each a linear
    programme. This is what a reader can work out who knows the sums and the bounds, and no more.

    Parameters
    ----------
    signs : sequence of sequence of float, k sums by m unknowns
    sums : sequence of float
        What each sum adds up to.
    low, high : sequence of float
        Bounds known beforehand; None where there is none above.
    cell : int
        Position of the unknown asked about.

    Returns
    -------
    (float, float)
        Infinite where the sums set no bound.

    Raises
    ------
    ValueError
        If no numbers fit.

    References
    ----------
    Cox LH (1980) J Am Stat Assoc 75:377-385, doi:10.1080/01621459.1980.10477481.

    Examples
    --------
    >>> possible_range([[1, 1]], [6], [1, 0], [None, None], 0)
    (1.0, 6.0)
    """
    goal = np.zeros(len(low))
    goal[cell] = 1.0
    matrix = np.asarray(signs, dtype=float).reshape(len(sums), len(low))
    ends = []
    for sign in (1.0, -1.0):
        found = optimize.linprog(
            sign * goal, A_eq=matrix, b_eq=list(sums), bounds=list(zip(low, high, strict=True)), method="highs"
        )
        if found.status not in (_FOUND, _UNBOUNDED):
            raise ValueError("no numbers fit the sums and their bounds")
        ends.append(sign * float(found.fun) if found.status == _FOUND else -sign * math.inf)
    return ends[0] + 0.0, ends[1] + 0.0
