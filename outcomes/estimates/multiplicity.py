"""What remains of a p value when many questions were asked?"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from outcomes.estimates.estimate import Answer, Estimate


def benjamini_hochberg(p: Sequence[float | None]) -> list[float | None]:
    """Adjust p values for the expected share of false findings among all findings.

    ``p̃_(i) = min_{j ≥ i} min(1, m p_(j) / j)``. Missing entries stay missing and do not count as tests.

    Parameters
    ----------
    p : sequence of float or None, length m

    Returns
    -------
    list of float or None, length m

    References
    ----------
    Benjamini Y, Hochberg Y (1995) J R Stat Soc B 57:289-300, doi:10.1111/j.2517-6161.1995.tb02031.x.

    Examples
    --------
    >>> benjamini_hochberg([0.01, None, 0.04, 0.03])
    [0.03, None, 0.04, 0.04]
    """

    def adjust(ordered: np.ndarray) -> np.ndarray:
        m = len(ordered)
        raised = m * ordered / np.arange(1, m + 1)
        return np.asarray(np.minimum.accumulate(raised[::-1])[::-1])

    return _adjusted(p, adjust)


def holm(p: Sequence[float | None]) -> list[float | None]:
    """Adjust p values for the chance of any false finding; for flags on people.

    ``p̃_(i) = max_{j ≤ i} min(1, (m − j + 1) p_(j))``. Missing entries stay missing and do not count as tests.

    Parameters
    ----------
    p : sequence of float or None, length m

    Returns
    -------
    list of float or None, length m

    References
    ----------
    Holm S (1979) Scand J Stat 6:65-70.

    Examples
    --------
    >>> holm([0.01, None, 0.04, 0.03])
    [0.03, None, 0.06, 0.06]
    """

    def adjust(ordered: np.ndarray) -> np.ndarray:
        m = len(ordered)
        return np.asarray(np.maximum.accumulate((m - np.arange(m)) * ordered))

    return _adjusted(p, adjust)


ADJUSTMENTS = {"benjamini_hochberg": benjamini_hochberg, "holm": holm}


def with_adjusted(answers: Sequence[Answer], method: str = "benjamini_hochberg") -> tuple[Answer, ...]:
    """Return the answers with their adjusted p values; those without a p stay as they are.

    `benjamini_hochberg` where findings are listed, `holm` where people are flagged.

    Parameters
    ----------
    answers : sequence of Estimate or NotEstimable
    method : {"benjamini_hochberg", "holm"}

    Returns
    -------
    tuple of Estimate or NotEstimable

    Raises
    ------
    ValueError
        If the method is not one of benjamini_hochberg, holm.

    References
    ----------
    As for `benjamini_hochberg` and `holm`. doi:10.1111/j.2517-6161.1995.tb02031.x

    Examples
    --------
    >>> from outcomes.estimates.estimate import Estimate
    >>> two = [Estimate(t, 2.0, 1.1, 3.6, "m", 50, unit="odds ratio", p_value=p) for t, p in (("a", 0.01), ("b", 0.04))]
    >>> [answer.p_adjusted for answer in with_adjusted(two)]
    [0.02, 0.04]
    """
    if method not in ADJUSTMENTS:
        raise ValueError(f"method must be one of {', '.join(ADJUSTMENTS)}")
    adjusted = ADJUSTMENTS[method]([a.p_value if isinstance(a, Estimate) else None for a in answers])
    return tuple(
        replace(a, p_adjusted=p) if isinstance(a, Estimate) and p is not None else a
        for a, p in zip(answers, adjusted, strict=True)
    )


def _adjusted(p: Sequence[float | None], adjust: Callable[[np.ndarray], np.ndarray]) -> list[float | None]:
    values = np.array([np.nan if entry is None else float(entry) for entry in p], dtype=float)
    known = ~np.isnan(values)
    if np.any((values[known] < 0) | (values[known] > 1)):
        raise ValueError("a p value lies between 0 and 1")
    order = np.argsort(values[known], kind="stable")
    result = np.empty(int(known.sum()))
    result[order] = np.minimum(1.0, adjust(values[known][order])) if len(order) else []
    values[known] = result
    return [None if not there else float(entry) for there, entry in zip(known, values, strict=True)]
