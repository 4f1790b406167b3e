"""Yes/no records made ready for a model: checked, then collapsed to covariate patterns.

Settings and case-mix are discrete, so rows that agree in every column count as one pattern with k events of n.
Likelihoods need the patterns only; what concerns patients needs a cell for each patient and pattern.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.estimates.design import Design
from outcomes.estimates.estimate import FloatArray

Codes = NDArray[np.intp]
Values = Sequence[Any] | NDArray[Any] | pd.Series

_EXACT = 2**52  # whole numbers up to here are exact in a float
_LARGEST = 2**62


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """Counts for each patient and pattern.

    Attributes
    ----------
    pattern, cluster : integer arrays of shape (c,)
    events, trials : arrays of shape (c,)
    clusters : int
        How many patients there are.
    with_events : int
        How many of them have at least one event.
    """

    pattern: Codes
    cluster: Codes
    events: FloatArray
    trials: FloatArray
    clusters: int
    with_events: int


@dataclass(frozen=True, slots=True, eq=False)
class Binary:
    """Checked yes/no records.

    Attributes
    ----------
    matrix : ndarray of shape (m, p)
        One row a covariate pattern, intercept first.
    events, trials : arrays of shape (m,)
        k events of n records at each pattern.
    n, event_count : int
    cells : Cells or None
        Counts by patient, None where no cluster was given.
    pattern_of_row : integer array of shape (rows,)
        Pattern of each row that was handed in.
    """

    matrix: FloatArray
    events: FloatArray
    trials: FloatArray
    n: int
    event_count: int
    cells: Cells | None
    pattern_of_row: Codes

    @property
    def patients(self) -> int | None:
        """How many patients the records belong to, None where that is not known."""
        return None if self.cells is None else self.cells.clusters


def observe(
    design: Design,
    events: Values,
    *,
    trials: Values | None = None,
    cluster: Values | None = None,
    weight: Values | None = None,
) -> Binary:
    """What was observed, checked and collapsed?

    Parameters
    ----------
    design : Design
        Of n rows.
    events : array of shape (n,)
        0/1 or booleans without `trials`, else whole numbers from 0 to `trials`.
    trials : array of shape (n,) or None
        Records behind each row; 1 each when None.
    cluster : array of shape (n,) or None
        Patient of each row.
    weight : array of shape (n,) or None
        How often each row occurs, whole numbers from 1.

    Raises
    ------
    ValueError
        If a length differs, a value is missing, events are text or not whole numbers within their trials, or a
        Series carries other row labels than the frame of the design.
    """
    rows = len(design.matrix)
    k = _whole("events", events, design)
    n = np.ones(rows) if trials is None else _whole("trials", trials, design)
    w = np.ones(rows) if weight is None else _whole("weight", weight, design)
    if rows and (n.min() < 1 or w.min() < 1):
        raise ValueError("trials and weights start at 1; leave out rows without records before the design is made")
    if rows and (k.min() < 0 or np.any(k > n)):
        allowed = "0 or 1" if trials is None else "whole numbers from 0 to the trials of the row"
        raise ValueError(f"events must be {allowed}")
    k, n = k * w, n * w
    pattern, first = patterns(design.matrix, design.level_groups)
    count = len(first)
    cells = None if cluster is None else _cells(pattern, cluster_codes(cluster, design.index), k, n)
    return Binary(
        matrix=np.ascontiguousarray(design.matrix[first]),
        events=np.bincount(pattern, k, count).astype(np.float64),
        trials=np.bincount(pattern, n, count).astype(np.float64),
        n=int(n.sum()),
        event_count=int(k.sum()),
        cells=cells,
        pattern_of_row=pattern,
    )


def cluster_codes(cluster: Values, index: pd.Index | None = None) -> Codes:
    """Number the clusters from 0, whatever their labels are.

    Raises
    ------
    ValueError
        If a label is missing, the length differs, or a Series carries other row labels than `index`.
    """
    _same_rows("cluster", cluster, index)
    codes, _ = pd.factorize(pd.Series(cluster).reset_index(drop=True), use_na_sentinel=True)
    if np.any(codes < 0):
        raise ValueError(f"cluster: {int((codes < 0).sum())} rows have no cluster; each row belongs to one")
    return codes.astype(np.intp)


def patterns(matrix: FloatArray, level_groups: Codes | None = None) -> tuple[Codes, Codes]:
    """Number the distinct rows of a matrix in an order that does not depend on the order of its rows.

    Parameters
    ----------
    matrix : ndarray of shape (n, p)
    level_groups : integer array of shape (p,) or None
        As `Design.level_groups` gives them; found out, one column at a time, when None.

    Returns
    -------
    pattern : integer array of shape (n,)
        Pattern of each row.
    first : integer array of shape (m,)
        The first row that shows each pattern.
    """
    if len(matrix) == 0:
        empty = np.zeros(0, dtype=np.intp)
        return empty, empty
    groups = _lone_indicators(matrix) if level_groups is None else level_groups
    code, size = np.zeros(len(matrix), dtype=np.int64), 1
    for part, count in _digits(matrix, groups):
        if size * count > _LARGEST:
            code, size = _renumbered(code, size)
        code, size = code * count + part, size * count
    code, size = _renumbered(code, size)
    first = np.empty(size, dtype=np.intp)
    first[code[::-1]] = np.arange(len(code))[::-1]
    return code.astype(np.intp), first


def _lone_indicators(matrix: FloatArray) -> Codes:
    """A group of its own for each column of nothing but 0 and 1, −1 for others."""
    groups = np.full(matrix.shape[1], -1, dtype=np.intp)
    for j, column in enumerate(matrix.T):
        if all(bool(np.all((part == 0) | (part == 1))) for part in (column[:64], column)):
            groups[j] = j
    return groups


def _digits(matrix: FloatArray, groups: Codes) -> Iterator[tuple[Codes, int]]:
    """Whole numbers from 0 for each row, and how many there may be, which together tell the rows of a matrix apart."""
    weight, size = np.zeros(matrix.shape[1]), 1
    for group in np.unique(groups[groups >= 0]):
        columns = np.flatnonzero(groups == group)
        if size * (len(columns) + 1) > _EXACT:
            yield _renumbered((matrix @ weight).astype(np.int64), size)
            weight, size = np.zeros(matrix.shape[1]), 1
        weight[columns] = size * np.arange(1, len(columns) + 1)
        size *= len(columns) + 1
    yield _renumbered((matrix @ weight).astype(np.int64), size)
    for column in matrix[:, groups < 0].T:
        code, levels = pd.factorize(column + 0.0, sort=True)
        yield code.astype(np.int64), len(levels)


def _renumbered(code: Codes, size: int) -> tuple[Codes, int]:
    """Numbers below `size` as numbers from 0 without gaps, in the same order, and how many there are."""
    if size > 4 * len(code) + 1024:
        found, levels = pd.factorize(code, sort=True)
        return found.astype(np.int64), len(levels)
    present = np.zeros(size, dtype=bool)
    present[code] = True
    rank = np.cumsum(present) - 1
    return rank[code], int(rank[-1]) + 1


def _cells(pattern: Codes, cluster: Codes, events: FloatArray, trials: FloatArray) -> Cells:
    clusters = int(cluster.max()) + 1 if len(cluster) else 0
    size = int(pattern.max()) + 1 if len(pattern) else 1
    cell, known = pd.factorize(cluster.astype(np.int64) * size + pattern, sort=True)
    known = np.asarray(known, dtype=np.int64)
    count = len(known)
    by_cluster = np.bincount(cluster, events, clusters)
    return Cells(
        pattern=(known % size).astype(np.intp),
        cluster=(known // size).astype(np.intp),
        events=np.bincount(cell, events, count).astype(np.float64),
        trials=np.bincount(cell, trials, count).astype(np.float64),
        clusters=clusters,
        with_events=int((by_cluster > 0).sum()),
    )


def _same_rows(what: str, values: Values, index: pd.Index | None) -> None:
    if index is None:
        return
    if len(values) != len(index):
        raise ValueError(f"{what}: {len(values)} values for {len(index)} rows of the design")
    if isinstance(values, pd.Series) and not values.index.equals(index):
        raise ValueError(f"{what}: its row labels are not those of the frame that the design was made from")


def _whole(what: str, values: Values, design: Design) -> FloatArray:
    _same_rows(what, values, design.index)
    return whole_numbers(what, values)


def whole_numbers(what: str, values: Values) -> FloatArray:
    """Whole numbers or booleans as floats.

    Raises
    ------
    ValueError
        If a value is missing, text, or not a whole number.
    """
    series = pd.Series(values).infer_objects()
    if bool(series.isna().any()):
        raise ValueError(f"{what}: {int(series.isna().sum())} values are missing")
    numeric = pd.api.types.is_numeric_dtype(series.dtype) or pd.api.types.is_bool_dtype(series.dtype)
    if len(series) and not numeric:
        raise ValueError(f"{what} must be numbers (0/1 or counts), and these are {series.dtype}")
    numbers = series.to_numpy(dtype=np.float64)
    if not np.all(np.isfinite(numbers)) or np.any(numbers != np.round(numbers)):
        raise ValueError(f"{what} must be whole numbers")
    return numbers
