"""What might the values have been that nobody recorded? Multiple imputation by chained equations.

Columns may be quantities, yes/no, or categories; what belongs to a patient is drawn once for the patient.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.estimates.binary import Codes, Values, cluster_codes
from outcomes.estimates.estimate import FloatArray
from outcomes.estimates.posterior_draws import drawn_levels, matched

_FEWEST_PATIENTS = 5  # with the column recorded
_REMEDY = "Leave it out of the model, or give what is not recorded a level of its own."


@dataclass(frozen=True, slots=True, eq=False)
class _Column:
    """One column as numbers, rows sorted by patient.

    `values` are quantities or codes of levels; `holder` is a row where each value is recorded, −1 where it is not yet
    known; `levels` is how many levels there are, 0 for a quantity.
    """

    name: str
    values: FloatArray
    holder: Codes
    levels: int
    per_patient: bool

    @property
    def unknown(self) -> NDArray[np.bool_]:
        return self.holder < 0


@dataclass(frozen=True, slots=True, eq=False)
class _Patients:
    """Which rows belong together: `of_row` numbers the patients from 0, `first` is the first row of each."""

    of_row: Codes
    first: Codes
    size: FloatArray


def imputed(
    frame: pd.DataFrame,
    columns: Sequence[str],
    predictors: Sequence[str],
    *,
    cluster: Values,
    imputations: int = 20,
    seed: int = 0,
    cycles: int = 5,
    per_patient: Sequence[str] | None = None,
) -> tuple[pd.DataFrame, ...]:
    """What might the records have looked like, had everything been recorded?

    Multiple imputation by chained equations: columns with gaps are visited in turn, each is regressed on all the
    others and its gaps are drawn anew from the posterior predictive distribution. The posterior of a regression is
    drawn by a Bayesian bootstrap of patients (weights from the flat Dirichlet distribution), so records of one patient
    stay together and no level ever vanishes. Yes/no and categories: (multinomial) logistic draws, an order being kept
    but not used. Quantities: predictive mean matching, the value of one of five recorded donors nearest to the
    prediction. Slopes have a weak normal prior (standard deviation 2.5 for one standard deviation of a predictor), so
    separation gives finite chances; the share of each level stays as recorded.

    A column with one value for each patient is imputed at the patient: once, from the patient's own values and, of
    columns that vary within the patient, the mean of quantities, the rows at each level and the number of rows.

    It assumes that gaps depend on nothing beyond the columns handed in (missing at random). The outcome of the later
    model has to be among `predictors`: without it, associations with the imputed columns are pulled towards none.
    Gaps of columns that vary within patients are drawn independently given the predictors.
    Neither statsmodels' ``MICE`` nor scikit-learn's ``IterativeImputer`` is used: they know no patients, and no
    categories.

    Parameters
    ----------
    frame : DataFrame
        n rows, one a record.
    columns : sequence of str
        Columns to complete. Columns among them without a gap serve as predictors.
    predictors : sequence of str
        Complete columns, the outcome among them.
    cluster : array of shape (n,)
        Patient of each row, none missing.
    imputations : int
        m, how many completed copies; the first of many are the same as few.
    seed : int
    cycles : int
        Visits to each column; with gaps in one column only a single visit is enough.
    per_patient : sequence of str or None
        Columns with one value for each patient; found out when None: those whose recorded values never differ
        within a patient.

    Returns
    -------
    tuple of DataFrame, length m
        Copies with gaps filled: same rows, order, labels and types. They do not depend on the order of the rows, but
        for which of several identical rows gets which draw.

    Raises
    ------
    ValueError
        If a column is absent, named twice or neither number nor category; a predictor has a gap; fewer than five
        patients have a column recorded; a column said to be the patient's differs within one; or a patient is missing.

    References
    ----------
    van Buuren S (2018) Flexible Imputation of Missing Data, 2nd ed., Chapman & Hall/CRC, chapters 3, 4 and 7.
    doi:10.1201/9780429492259
    Rubin DB (1981) The Bayesian bootstrap, Ann Stat 9:130–134. doi:10.1214/aos/1176345338
    Morris TP, White IR, Royston P (2014) BMC Med Res Methodol 14:75 (donors). doi:10.1186/1471-2288-14-75
    Moons KGM, Donders RART, Stijnen T, Harrell FE (2006) J Clin Epidemiol 59:1092–1101 (the outcome as predictor).
    doi:10.1016/j.jclinepi.2006.01.009

    Examples
    --------
    >>> rows = pd.DataFrame({"dark": [True, None, False, None] * 6, "event": [1, 0, 0, 1] * 6})
    >>> rows["dark"] = rows["dark"].astype("boolean")
    >>> first, second = imputed(rows, ["dark"], ["event"], cluster=range(24), imputations=2)
    >>> int(first["dark"].isna().sum()), first["dark"].dtype.name
    (0, 'boolean')
    """
    wanted = _checked(frame, columns, predictors, imputations, cycles)
    codes = cluster_codes(cluster, frame.index)
    patients, order = _sorted(frame, wanted, pd.Series(cluster).reset_index(drop=True), codes)
    known = [_read(frame[name], order, patients, name in columns, per_patient) for name in wanted]
    gaps = sorted((j for j, column in enumerate(known) if column.unknown.any()), key=lambda j: known[j].unknown.sum())
    if not gaps:
        cycles = 0
    elif len(gaps) == 1:
        cycles = 1
    copies = []
    for child in np.random.SeedSequence(seed).spawn(imputations):
        random = np.random.default_rng(child)
        now = list(known)
        for j in gaps:
            now[j] = _started(known[j], patients, random)
        for _ in range(cycles):
            for j in gaps:
                now[j] = _visited(known[j], [other for i, other in enumerate(now) if i != j], patients, random)
        copies.append(_completed(frame, [column for column in now if column.name in columns], order))
    return tuple(copies)


def _checked(
    frame: pd.DataFrame, columns: Sequence[str], predictors: Sequence[str], imputations: int, cycles: int
) -> list[str]:
    wanted = [*columns, *predictors]
    if len(set(wanted)) < len(wanted):
        raise ValueError("a column is named twice; it is either completed or a predictor")
    absent = [name for name in wanted if name not in frame.columns]
    if absent:
        raise ValueError(f"{', '.join(absent)}: the frame has no such column")
    if imputations < 1 or cycles < 1:
        raise ValueError("imputations and cycles start at 1")
    return wanted


def _sorted(frame: pd.DataFrame, wanted: list[str], cluster: pd.Series, codes: Codes) -> tuple[_Patients, Codes]:
    """Patients, and the order that puts rows of a patient together, whatever order they came in."""
    keys = [pd.factorize(frame[name], sort=True)[0] for name in reversed(wanted)]
    order = np.lexsort([*keys, pd.factorize(cluster, sort=True)[0]]).astype(np.intp)
    of_row, _ = pd.factorize(codes[order])
    first = np.flatnonzero(np.diff(of_row, prepend=-1)).astype(np.intp)
    return _Patients(of_row.astype(np.intp), first, np.bincount(of_row).astype(np.float64)), order


def _read(
    series: pd.Series, order: Codes, patients: _Patients, to_complete: bool, per_patient: Sequence[str] | None
) -> _Column:
    """A column as numbers; what is recorded on one row of a patient is known on all, where it is the patient's."""
    name = str(series.name)
    values, levels = _as_numbers(series)
    values = values[order]
    recorded = ~np.isnan(values)
    if not to_complete and not recorded.all():
        raise ValueError(
            f"{name}: {int((~recorded).sum())} predictors are missing; complete the column or leave it out"
        )
    having = len(np.unique(patients.of_row[recorded]))
    if not recorded.all() and having < _FEWEST_PATIENTS:
        raise ValueError(
            f"{name}: {having} patients have it recorded, and {_FEWEST_PATIENTS} are needed to impute it. {_REMEDY}"
        )
    holder = np.where(recorded, np.arange(len(values)), -1).astype(np.intp)
    own = np.full(len(patients.first), -1, dtype=np.intp)
    own[patients.of_row[recorded][::-1]] = holder[recorded][::-1]
    spread = own[patients.of_row]
    constant = bool(np.all(values[recorded] == values[spread[recorded]]))
    if per_patient is not None and name in per_patient and not constant:
        raise ValueError(f"{name}: its recorded values differ within a patient; it is not the patient's")
    if not (constant if per_patient is None else name in per_patient):
        return _Column(name, values, holder, levels, per_patient=False)
    return _Column(name, np.where(spread < 0, np.nan, values[spread]), spread, levels, per_patient=True)


def _as_numbers(series: pd.Series) -> tuple[FloatArray, int]:
    """Quantities as they are, or codes of the levels that occur and their number; nan where nothing is recorded."""
    dtype = series.dtype
    missing = series.isna().to_numpy(dtype=bool)
    if isinstance(dtype, pd.CategoricalDtype):
        used, codes = np.unique(series.cat.codes.to_numpy()[~missing], return_inverse=True)
        levels = len(used)
    else:
        codes, found = pd.factorize(series[~missing], sort=True)
        levels = len(found)
        if pd.api.types.is_numeric_dtype(dtype) and not pd.api.types.is_bool_dtype(dtype) and levels > 2:
            values = series.to_numpy(dtype=np.float64, na_value=np.nan)
            if np.any(np.isinf(values)):
                raise ValueError(f"{series.name}: a value is infinite")
            return values, 0
        if pd.api.types.is_datetime64_any_dtype(dtype) or pd.api.types.is_timedelta64_dtype(dtype):
            raise ValueError(f"{series.name}: a time is neither a number nor a category; count days from a fixed day")
    numbers = np.full(len(series), np.nan)
    numbers[~missing] = codes
    return numbers, max(levels, 1)


def _started(column: _Column, patients: _Patients, random: np.random.Generator) -> _Column:
    """Gaps filled by recorded values drawn at random."""
    units = patients.first if column.per_patient else np.arange(len(column.values))
    gap = column.unknown[units]
    holder = column.holder[units]
    return _filled(column, patients, random.choice(holder[~gap], size=int(gap.sum())))


def _filled(column: _Column, patients: _Patients, donors: Codes) -> _Column:
    """The column with each gap (of a patient or of a row) taking the value of its donor's row."""
    units = patients.first if column.per_patient else np.arange(len(column.values))
    holder = column.holder[units].copy()
    holder[holder < 0] = donors
    if column.per_patient:
        holder = holder[patients.of_row]
    return replace(column, values=column.values[holder], holder=holder)


def _visited(column: _Column, others: list[_Column], patients: _Patients, random: np.random.Generator) -> _Column:
    """The gaps of one column drawn anew, given what the others hold at present."""
    units = patients.first if column.per_patient else np.arange(len(column.values))
    features = _features(others, patients, column.per_patient)
    gap = column.unknown[units]
    values = column.values[units]
    by_patient = random.standard_exponential(len(patients.first))
    weight = by_patient if column.per_patient else by_patient[patients.of_row]
    shift, scale = features[~gap].mean(axis=0), features[~gap].std(axis=0)
    varies = scale > 1e-9 * np.maximum(1.0, np.abs(shift))
    features = (features[:, varies] - shift[varies]) / scale[varies]
    draw = drawn_levels if column.levels else matched
    chosen = draw(features[~gap], values[~gap], weight[~gap] / weight[~gap].mean(), features[gap], random)
    return _filled(column, patients, column.holder[units][~gap][chosen])


def _features(others: list[_Column], patients: _Patients, per_patient: bool) -> FloatArray:
    """Predictors of each row, or of each patient."""
    parts = [] if not per_patient else [patients.size[:, None]]
    for column in others:
        # one level of a pair says it all; of several, all enter, so that none is the reference of the prior
        wanted = range(1, 2) if column.levels == 2 else range(column.levels)
        part = (
            np.column_stack([column.values == level for level in wanted]).astype(np.float64)
            if column.levels
            else column.values[:, None]
        )
        if per_patient and column.per_patient:
            part = part[patients.first]
        elif per_patient:
            part = np.add.reduceat(part, patients.first, axis=0)
            part = part if column.levels else part / patients.size[:, None]
        parts.append(part)
    return np.hstack(parts) if parts else np.zeros((len(patients.of_row), 0))


def _completed(frame: pd.DataFrame, columns: list[_Column], order: Codes) -> pd.DataFrame:
    """The frame with gaps filled by values that stand elsewhere in the same column, so that types stay."""
    filled = {}
    for column in columns:
        source = np.empty(len(order), dtype=np.intp)
        source[order] = order[column.holder]
        filled[column.name] = frame[column.name].array.take(source)
    return frame.assign(**filled)
