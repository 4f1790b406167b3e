"""Checks of what comes in: lengths, missing entries, patients. Faults are named by position, never by value."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from outcomes.estimates.estimate import FloatArray


def positions(faulty: NDArray[np.bool_]) -> str:
    """Name the first few positions (counted from 0) where something is wrong.

    Examples
    --------
    >>> positions(np.array([False, True, True]))
    'positions 1, 2'
    """
    where = np.flatnonzero(faulty)
    shown = ", ".join(str(i) for i in where[:5])
    more = f" and {len(where) - 5} more" if len(where) > 5 else ""
    return f"position{'' if len(where) == 1 else 's'} {shown}{more}"


def numbers(name: str, values: ArrayLike) -> FloatArray:
    """Return a vector of finite numbers.

    Raises
    ------
    ValueError
        If it is not a vector, or an entry is missing or infinite.
    """
    vector = np.asarray(values, dtype=float)
    if vector.ndim != 1:
        raise ValueError(f"{name} is not a vector")
    if not np.all(np.isfinite(vector)):
        raise ValueError(f"{name} is missing at {positions(~np.isfinite(vector))}")
    return vector


def weights(values: ArrayLike | None, n: int) -> FloatArray:
    """Return weights, 1 for each of n rows where none are given.

    Raises
    ------
    ValueError
        If a weight is missing or negative, or their number is not n.
    """
    vector = np.ones(n) if values is None else numbers("weight", values)
    if len(vector) != n:
        raise ValueError("weight differs in length from the records")
    if np.any(vector < 0):
        raise ValueError(f"weight is negative at {positions(vector < 0)}")
    return vector


def cluster_codes(cluster: ArrayLike, n: int) -> NDArray[np.intp]:
    """Number the patients 0, 1, 2 … in order of appearance; a missing patient is never a cluster of its own.

    Raises
    ------
    ValueError
        If an entry is missing, or their number is not n.
    """
    labels = pd.Series(cluster)
    if len(labels) != n:
        raise ValueError("cluster differs in length from the records")
    codes, _ = pd.factorize(labels, sort=False)
    if np.any(codes < 0):
        raise ValueError(f"the patient is missing at {positions(codes < 0)}")
    return np.asarray(codes, dtype=np.intp)
