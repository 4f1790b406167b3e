"""Does a maximum-likelihood estimate exist at all? Separation is looked for before every fit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from firthmodels import detect_separation

from outcomes.estimates.binary import Binary
from outcomes.estimates.estimate import FloatArray


@dataclass(frozen=True, slots=True)
class Separation:
    """What was found.

    Attributes
    ----------
    separated : bool
    columns : tuple of int
        Columns beside the intercept whose estimates run off to infinity.
    """

    separated: bool
    columns: tuple[int, ...]


def standardised(matrix: FloatArray, trials: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Centre and scale every column but the intercept, so that units do not matter to what follows.

    Returns
    -------
    matrix : ndarray of shape (m, p)
    shift, scale : arrays of shape (p,)
        ``standardised = (matrix − shift) / scale``; 0 and 1 for the intercept.
    """
    shift = trials @ matrix / trials.sum()
    scale = np.sqrt(trials @ (matrix - shift) ** 2 / trials.sum())
    shift[0], scale[0] = 0.0, 1.0
    scale[scale == 0] = 1.0
    return (matrix - shift) / scale, shift, scale


def collinear_columns(matrix: FloatArray, trials: FloatArray) -> tuple[int, ...]:
    """Which columns say nothing that the columns before them do not say already?"""
    scaled = standardised(matrix, trials)[0]
    sizes = np.sqrt((scaled * scaled).sum(axis=0))
    if np.all(sizes > 0):
        # the smallest eigenvalue bounds the squared share of any column that the others leave unsaid
        alike = scaled.T @ scaled / np.outer(sizes, sizes)
        if np.linalg.eigvalsh(alike)[0] > 1e-10:
            return ()
    redundant: list[int] = []
    basis = np.zeros((len(scaled), 0))
    for j, column in enumerate(scaled.T):
        rest = column - basis @ (basis.T @ column)
        rest = rest - basis @ (basis.T @ rest)
        size = float(np.linalg.norm(rest))
        if size <= 1e-8 * max(float(np.linalg.norm(column)), 1e-300):
            redundant.append(j)
        else:
            basis = np.column_stack([basis, rest / size])
    return tuple(redundant)


def find_separation(data: Binary) -> Separation:
    """Can a combination of the columns tell all events from all non-events, at least weakly?

    Where it can, the likelihood has no finite maximum: software that reports "converged" prints whatever
    number it stopped at. A combination that separates is nought at every pattern with events and non-events: where
    such patterns span all columns there is none. Else the linear programme of Konis decides; columns are centred
    and scaled first.

    Parameters
    ----------
    data : Binary
        With events and non-events, and columns that are not collinear.

    Returns
    -------
    Separation

    References
    ----------
    Konis K (2007) Linear programming algorithms for detecting separated data in binary logistic regression
    models, DPhil thesis, University of Oxford.
    Albert A, Anderson JA (1984) Biometrika 71:1–10. doi:10.1093/biomet/71.1.1

    Examples
    --------
    >>> import pandas as pd
    >>> from outcomes.estimates.binary import observe
    >>> from outcomes.estimates.design import Numeric, build
    >>> rows = pd.DataFrame({"side": [0, 0, 1, 1, 1], "event": [0, 0, 0, 1, 1]})
    >>> find_separation(observe(build(rows, [Numeric("side")]), rows["event"]))
    Separation(separated=True, columns=(1,))
    """
    mixed = (data.events > 0) & (data.events < data.trials)
    if mixed.sum() >= data.matrix.shape[1] and not collinear_columns(data.matrix[mixed], data.trials[mixed]):
        return Separation(False, ())
    scaled = standardised(data.matrix, data.trials)[0]
    yes, no = data.events > 0, data.events < data.trials
    stacked = np.vstack([scaled[yes], scaled[no]])
    outcome = np.concatenate([np.ones(int(yes.sum())), np.zeros(int(no.sum()))])
    found = detect_separation(stacked, outcome, fit_intercept=False)
    columns = tuple(int(j) for j in np.flatnonzero(~np.asarray(found.is_finite)) if j > 0)
    return Separation(bool(found.separation), columns)
