"""By how much does a mean rise along a quantity, when each row is itself the mean of several records?"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from outcomes.estimates.arrays import numbers
from outcomes.estimates.estimate import Answer, Estimate, NotEstimable

METHOD = "weighted least squares on means, weights the records behind each, t on rows − 2 df"


def line_through_means(
    x: ArrayLike, means: ArrayLike, sizes: ArrayLike, *, term: str = "", unit: str = "", level: float = 0.95
) -> Answer:
    """By how much does the mean rise for one unit of x?

    ``b = Σ w (x − x̄)(y − ȳ) / Σ w (x − x̄)²`` with x̄ and ȳ weighted by the sizes w, variance ``s² / Σ w (x − x̄)²`` and
    ``s² = Σ w r² / (rows − 2)`` from the residuals r. The sizes are weights of averages and not copies of records: what
    is not known is how records vary within a row, so the information is that of the rows. It assumes independent rows, a
    straight line, and a variance of each mean in inverse proportion to its size.

    Parameters
    ----------
    x, means, sizes : array of shape (rows,)
        The quantity, the mean at it, and how many records that rests on, above 0.
    term, unit : str
    level : float

    Returns
    -------
    Estimate or NotEstimable
        ``n`` is the number of rows. NotEstimable with fewer than three rows, where x does not vary, or where the line
        leaves nothing over.

    Raises
    ------
    ValueError
        If an entry is missing, lengths differ, or a size is not above 0.

    References
    ----------
    Weisberg S (2005) Applied Linear Regression, 3rd ed., Wiley, section 5.1.

    Examples
    --------
    >>> found = line_through_means([1, 2, 3, 4], [2.0, 2.5, 3.5, 3.8], [10, 20, 20, 10])
    >>> round(found.value, 3), found.low < found.value < found.high
    (0.673, True)
    """
    at, y, w = numbers("x", x), numbers("means", means), numbers("sizes", sizes)
    if not len(at) == len(y) == len(w):
        raise ValueError("x, means and sizes differ in length")
    if np.any(w <= 0):
        raise ValueError("a size is above 0")
    rows = len(at)
    if rows < 3:
        return NotEstimable(term, "a line and its error need three rows", n=rows, method=METHOD, unit=unit)
    from_x, from_y = at - w @ at / w.sum(), y - w @ y / w.sum()
    spread = float(w @ from_x**2)
    if not spread > 1e-12 * float(w @ at**2):
        return NotEstimable(term, "the same in every row", n=rows, method=METHOD, unit=unit)
    slope = float(w @ (from_x * from_y)) / spread
    left = float(w @ (from_y - slope * from_x) ** 2)
    if not left > 1e-20 * max(float(w @ y**2), 1e-300):
        return NotEstimable(term, "the rows lie on the line", n=rows, method=METHOD, unit=unit)
    degrees = rows - 2
    error = float(np.sqrt(left / degrees / spread))
    reach = float(stats.t.isf((1 - level) / 2, degrees)) * error
    p = max(float(2 * stats.t.sf(abs(slope) / error, degrees)), float(np.finfo(float).tiny))
    return Estimate(term, slope, slope - reach, slope + reach, METHOD, rows, level=level, unit=unit, p_value=p)
