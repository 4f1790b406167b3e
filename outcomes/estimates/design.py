"""Which columns does a model compare? Terms in, a design matrix with labels out.

Categories have a stated reference and an order that does not depend on the rows; a level without rows and a
column without variation are kept out of the matrix and named, so that neither can turn into a ratio of 1.00.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.estimates.estimate import FloatArray
from outcomes.estimates.splines import restricted_cubic


@dataclass(frozen=True, slots=True)
class Numeric:
    """A quantity (or a yes/no column, read as 1/0) that acts in a straight line.

    Attributes
    ----------
    column : str
        Column of the frame.
    per : float
        Step that one unit of the coefficient stands for: ``per=5`` gives a ratio for 5 units.
    label : str
        What a reader calls it, the step included; made from column and step when empty.
    center : float or None
        Value that is taken off first; it moves the intercept only.
    """

    column: str
    per: float = 1.0
    label: str = ""
    center: float | None = None

    def __post_init__(self) -> None:
        if not (np.isfinite(self.per) and self.per > 0):
            raise ValueError(f"{self.column}: the step lies above zero")


@dataclass(frozen=True, slots=True)
class Category:
    """A set of levels compared with a stated reference.

    Attributes
    ----------
    column : str
    reference : str
        Level that the others are compared with.
    label : str
        What a reader calls the column; its name when empty.
    levels : tuple of str or None
        Levels in order; those of the column's type when None, sorted values where it has none.
    level_labels : mapping of str to str or None
        What a reader calls each level; its name where it is not listed.
    """

    column: str
    reference: str
    label: str = ""
    levels: tuple[str, ...] | None = None
    level_labels: Mapping[str, str] | None = None


@dataclass(frozen=True, slots=True)
class Spline:
    """A quantity whose effect may bend: restricted cubic spline.

    Attributes
    ----------
    column : str
    knots : sequence of float
        At least three, strictly rising; see `outcomes.estimates.splines.knots_at_quantiles`.
    label : str
    """

    column: str
    knots: Sequence[float]
    label: str = ""


Term = Numeric | Category | Spline


@dataclass(frozen=True, slots=True)
class _Block:
    """How one term made its columns, kept so that it can make them again."""

    term: Term
    names: tuple[str, ...]
    labels: tuple[str, ...]
    kept: tuple[bool, ...]
    levels: tuple[str, ...] = ()
    reference: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Design:
    """A design matrix that remembers what its columns mean.

    Attributes
    ----------
    names : tuple of str, length p
        Fixed short names, ``intercept`` first: ``density_pct``, ``skin_type[IV]``, ``energy[spline 2]``.
    labels : tuple of str, length p
        What a reader calls each column.
    term_of : tuple of str, length p
        Column of the frame that each matrix column comes from; empty for the intercept.
    matrix : ndarray of shape (n, p)
    reported : tuple of bool, length p
        False for the intercept and for spline columns, whose coefficients mean nothing one by one.
    empty : tuple of str
        Labels of levels without rows, kept out of the matrix.
    constant : tuple of str
        Labels of columns without variation, kept out of the matrix.
    notes : tuple of str
        What a reader must know, such as a reference that had to be replaced.
    index : Index
        Row labels of the frame, against which a Series of events or clusters is checked.
    blocks : tuple
        How each term made its columns, for `evaluate`.
    """

    names: tuple[str, ...]
    labels: tuple[str, ...]
    term_of: tuple[str, ...]
    matrix: FloatArray
    reported: tuple[bool, ...]
    empty: tuple[str, ...]
    constant: tuple[str, ...]
    notes: tuple[str, ...]
    index: pd.Index
    blocks: tuple[_Block, ...]

    @property
    def level_groups(self) -> NDArray[np.intp]:
        """Which columns hold the levels of one category, so that a row has a single 1 among them or none?

        Returns
        -------
        integer array of shape (p,)
            The same number for the columns of one category; 0 for the intercept, −1 for quantities and splines.
        """
        number = {block.term.column: i for i, block in enumerate(self.blocks, 1) if isinstance(block.term, Category)}
        return np.array([0 if not term else number.get(term, -1) for term in self.term_of], dtype=np.intp)

    def evaluate(self, frame: pd.DataFrame) -> FloatArray:
        """The same columns for other rows.

        Returns
        -------
        ndarray of shape (m, p)

        Raises
        ------
        ValueError
            If a value is missing, or a row carries a level that the design has no column for.
        """
        columns = [np.ones((len(frame), 1))]
        for block in self.blocks:
            values = _columns(block, frame)
            columns.append(values[:, np.asarray(block.kept, dtype=bool)])
        return np.hstack(columns)

    def columns_of(self, wanted: str) -> tuple[int, ...]:
        """Positions of the matrix columns that a name, a label or a column of the frame stands for.

        Raises
        ------
        KeyError
            If nothing goes by that name.
        """
        found = tuple(
            j
            for j, known in enumerate(zip(self.names, self.labels, self.term_of, strict=True))
            if j and wanted in known
        )
        if not found:
            raise KeyError(wanted)
        return found


def build(frame: pd.DataFrame, terms: Sequence[Term]) -> Design:
    """Which columns does a model with these terms have on these rows?

    ``η = β₀ + Σ_j x_j β_j``: a quantity has one column (less its centre, over its step), a category one for each level but
    the reference, a spline as many as knots less one.

    Parameters
    ----------
    frame : DataFrame
        One row a record; no missing value in any column that a term uses.
    terms : sequence of Numeric, Category or Spline

    Returns
    -------
    Design
        Intercept first, then the columns of each term in the order given. A reference level without rows is
        replaced by the level with most rows (first in order at a tie); labels and notes say so.

    Raises
    ------
    ValueError
        If a column is missing or used twice, a value is missing, a quantity is not a number, or a level
        is not declared.

    References
    ----------
    Harrell FE (2015) Regression Modeling Strategies, 2nd ed., Springer, chapter 2. doi:10.1007/978-3-319-19425-7

    Examples
    --------
    >>> rows = pd.DataFrame({"density": [5.0, 10.0, 15.0], "region": ["face", "neck", "face"]})
    >>> terms = [Numeric("density", per=5, label="density, per 5 points"), Category("region", reference="face")]
    >>> build(rows, terms).labels
    ('intercept', 'density, per 5 points', 'region neck against face')
    """
    seen: set[str] = set()
    blocks: list[_Block] = []
    names, labels, term_of, reported = ["intercept"], ["intercept"], [""], [False]
    empty: list[str] = []
    constant: list[str] = []
    notes: list[str] = []
    columns = [np.ones((len(frame), 1))]
    for term in terms:
        if term.column in seen:
            raise ValueError(f"{term.column}: a column enters a design once")
        seen.add(term.column)
        block, without_rows, note = _block(term, frame)
        values = _columns(block, frame)
        varies = _varies(values)
        block = _Block(term, block.names, block.labels, tuple(varies), block.levels, block.reference)
        for name, label, keep in zip(block.names, block.labels, varies, strict=True):
            if keep:
                names.append(name)
                labels.append(label)
                term_of.append(term.column)
                reported.append(not isinstance(term, Spline))
            else:
                constant.append(label)
        empty.extend(without_rows)
        notes.extend(note)
        blocks.append(block)
        columns.append(values[:, np.asarray(varies, dtype=bool)])
    if len(set(labels) | set(empty) | set(constant)) < len(labels) + len(empty) + len(constant):
        raise ValueError("two columns of the design go by the same label")
    return Design(
        tuple(names), tuple(labels), tuple(term_of), np.hstack(columns), tuple(reported), tuple(empty),
        tuple(constant), tuple(notes), frame.index, tuple(blocks),
    )  # fmt: skip


def _varies(values: FloatArray) -> list[bool]:
    if len(values) == 0:
        return [False] * values.shape[1]
    spread = values.max(axis=0) - values.min(axis=0)
    return [bool(s > 1e-12 * max(1.0, float(m))) for s, m in zip(spread, np.abs(values).max(axis=0), strict=True)]


def _block(term: Term, frame: pd.DataFrame) -> tuple[_Block, list[str], list[str]]:
    label = term.label or term.column
    if isinstance(term, Numeric):
        if not term.label and term.per != 1:
            label = f"{label}, per {term.per:g}"
        return _Block(term, (term.column,), (label,), (True,)), [], []
    if isinstance(term, Spline):
        bends = range(2, len(term.knots))
        names = (term.column, *(f"{term.column}[spline {j}]" for j in bends))
        labels = (label, *(f"{label}, spline {j}" for j in bends))
        return _Block(term, names, labels, (True,) * len(names)), [], []
    return _category_block(term, frame, label)


def _category_block(term: Category, frame: pd.DataFrame, label: str) -> tuple[_Block, list[str], list[str]]:
    codes, names = _levels_of_rows(term.column, frame)
    declared = term.levels if term.levels is not None else _declared_levels(term.column, frame, names)
    if term.reference not in declared:
        raise ValueError(f"{term.column}: the reference is not among the levels")
    if len(set(declared)) < len(declared):
        raise ValueError(f"{term.column}: a level is declared twice")
    counts = dict(zip(names, np.bincount(codes, minlength=len(names)).tolist(), strict=True))
    stray = set(names) - set(declared)
    if stray:
        raise ValueError(f"{term.column}: {len(stray)} levels of the rows are not declared")
    rows_of = {level: counts.get(level, 0) for level in declared}
    words = dict(term.level_labels or {})
    reference, notes = term.reference, []
    if rows_of[reference] == 0 and len(codes):
        reference = max(declared, key=lambda level: rows_of[level])
        notes.append(
            f"{label}: no cases at {words.get(term.reference, term.reference)}, "
            f"so levels are compared with {words.get(reference, reference)}"
        )
    said = {level: f"{label} {words.get(level, level)} against {words.get(reference, reference)}" for level in declared}
    others = [level for level in declared if level != reference]
    filled = tuple(level for level in others if rows_of[level])
    block = _Block(
        term,
        tuple(f"{term.column}[{level}]" for level in filled),
        tuple(said[level] for level in filled),
        (True,) * len(filled),
        filled,
        reference,
    )
    return block, [said[level] for level in others if not rows_of[level]], notes


def _declared_levels(column: str, frame: pd.DataFrame, found: tuple[str, ...]) -> tuple[str, ...]:
    dtype = frame[column].dtype
    if isinstance(dtype, pd.CategoricalDtype):
        return tuple(str(level) for level in dtype.categories)
    return tuple(sorted(found))


def _column(column: str, frame: pd.DataFrame) -> pd.Series:
    if column not in frame.columns:
        raise ValueError(f"{column}: the frame has no such column")
    values = frame[column]
    if bool(values.isna().any()):
        raise ValueError(f"{column}: {int(values.isna().sum())} missing values; decide on them before the model")
    return values


def _levels_of_rows(column: str, frame: pd.DataFrame) -> tuple[NDArray[np.intp], tuple[str, ...]]:
    """Level of each row as a position among names, each of which some row carries."""
    values = _column(column, frame)
    if isinstance(values.dtype, pd.CategoricalDtype):
        codes, known = values.cat.codes.to_numpy(), values.dtype.categories
        used = np.flatnonzero(np.bincount(codes, minlength=len(known)))
        codes, known = np.searchsorted(used, codes), known[used]
    else:
        codes, known = pd.factorize(values)
    names, place = np.unique(np.array([str(level) for level in known], dtype=object), return_inverse=True)
    return np.asarray(place.reshape(-1)[codes], dtype=np.intp), tuple(str(name) for name in names)


def _numbers(column: str, frame: pd.DataFrame) -> FloatArray:
    values = _column(column, frame)
    if not (pd.api.types.is_numeric_dtype(values.dtype) or pd.api.types.is_bool_dtype(values.dtype)):
        raise ValueError(f"{column}: a quantity must be a number, and this column is {values.dtype}")
    numbers = values.to_numpy(dtype=np.float64)
    if not np.all(np.isfinite(numbers)):
        raise ValueError(f"{column}: a value is infinite")
    return numbers


def _columns(block: _Block, frame: pd.DataFrame) -> FloatArray:
    term = block.term
    if isinstance(term, Numeric):
        numbers = _numbers(term.column, frame)
        return ((numbers - (term.center or 0.0)) / term.per)[:, None]
    if isinstance(term, Spline):
        return restricted_cubic(_numbers(term.column, frame), np.asarray(term.knots, dtype=np.float64))
    codes, names = _levels_of_rows(term.column, frame)
    if not set(names) <= {block.reference, *block.levels}:
        raise ValueError(f"{term.column}: a row carries a level that the design has no column for")
    place = {name: j for j, name in enumerate(names)}
    wanted = np.array([place.get(level, -1) for level in block.levels], dtype=np.intp)
    return np.asarray(codes[:, None] == wanted[None, :], dtype=np.float64)
