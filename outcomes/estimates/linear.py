"""By how much does a quantity differ along covariates, when records cluster in patients?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from outcomes.estimates.design import Design
from outcomes.estimates.estimate import Answer, Estimate, Fit, FloatArray, NotEstimable

METHOD = "linear regression, cluster-robust covariance by patient (CR2), Satterthwaite's t reference"
_FULL_LEVERAGE = 1e-9  # an eigenvalue of I − H below this: a direction that the patient alone determines


def linear_regression(
    design: Design, values: ArrayLike, *, cluster: ArrayLike, level: float = 0.95, unit: str = ""
) -> Fit | NotEstimable:
    """By how much does the mean of a quantity differ for one step of each covariate, the others equal?

    Ordinary least squares ``b = My`` with ``M = (X′X)⁻¹``. With H_g = X_g M X_g′ the leverage of patient g and
    ``A_g = (I − H_g)^(−1/2)`` the covariance is ``M (Σ_g X_g′A_g e_g e_g′A_g X_g) M``, which is unbiased where records
    have one spread; limits refer to t on Satterthwaite's degrees of freedom of each coefficient. It assumes a mean that
    is linear in the covariates; the spread may differ from record to record.

    Parameters
    ----------
    design : Design
        n records, p columns with the intercept.
    values : array of shape (n,)
        The quantity, none missing.
    cluster : array of shape (n,)
        Patient of each record.
    level : float
    unit : str
        Of the quantity; every term is a difference in it.

    Returns
    -------
    Fit or NotEstimable
        NotEstimable with no more patients than columns, or when columns cannot be told apart.

    Raises
    ------
    ValueError
        If a value is missing or the lengths differ.

    References
    ----------
    Bell RM, McCaffrey DF (2002) Survey Methodology 28:169–181.
    Pustejovsky JE, Tipton E (2018) J Bus Econ Stat 36:672–683. doi:10.1080/07350015.2016.1247004

    Examples
    --------
    >>> import pandas as pd
    >>> from outcomes.estimates.design import Numeric, build
    >>> frame = pd.DataFrame({"x": [0.0, 0.0, 1.0, 1.0, 2.0, 2.0]})
    >>> fit = linear_regression(build(frame, [Numeric("x", label="x")]), [1, 2, 3, 3, 4, 6], cluster=list("abcdef"))
    >>> round(fit.term("x").value, 3)
    1.75
    """
    response = np.asarray(values, dtype=float)
    groups = np.unique(np.asarray(cluster, dtype=str), return_inverse=True)[1]
    if response.shape != groups.shape or len(response) != len(design.matrix) or not np.all(np.isfinite(response)):
        raise ValueError("values and cluster must be vectors as long as the design, without missing entries")
    n, p = design.matrix.shape
    patients = int(groups.max()) + 1 if n else 0

    def refuse(reason: str) -> NotEstimable:
        return NotEstimable("linear regression", reason, n=n, patients=patients, method=METHOD)

    if patients <= p:
        return refuse("no more patients than coefficients")
    if np.linalg.matrix_rank(design.matrix) < p:
        return refuse("covariates that cannot be told apart")
    inverse = np.asarray(np.linalg.inv(design.matrix.T @ design.matrix), dtype=np.float64)
    coefficients = np.linalg.lstsq(design.matrix, response, rcond=None)[0]
    residual = np.asarray(response - design.matrix @ coefficients, dtype=np.float64)
    if float((residual**2).sum()) <= 1e-18 * float((response**2).sum() + 1.0):
        return refuse("no spread about the fitted mean")
    robust = _by_patient(design.matrix, residual, groups, inverse)
    errors = np.sqrt(np.maximum(np.diag(robust.covariance), 0.0))
    terms: list[Answer] = []
    for j, (name, value, error) in enumerate(zip(design.labels, coefficients, errors, strict=True)):
        if j == 0:
            continue
        degrees = float(robust.degrees[j])
        if not (error > 1e-12 * abs(value) and degrees > 0 and not robust.one_patient[j]):
            terms.append(NotEstimable(name, "rests on one patient alone", n=n, patients=patients, method=METHOD))
            continue
        half = float(stats.t.ppf(0.5 + level / 2, degrees)) * float(error)
        terms.append(
            Estimate(
                name,
                float(value),
                float(value) - half,
                float(value) + half,
                METHOD,
                n,
                level=level,
                unit=f"difference in {unit}" if unit else "difference",
                patients=patients,
                p_value=min(1.0, max(2 * float(stats.t.sf(abs(value) / error, degrees)), 1e-300)),
            )
        )
    return Fit(
        METHOD,
        tuple(terms),
        tuple(design.labels),
        np.asarray(coefficients, dtype=float),
        robust.covariance,
        n,
        patients=patients,
        degrees_of_freedom=robust.degrees,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Robust:
    covariance: FloatArray
    degrees: FloatArray
    one_patient: NDArray[np.bool_]


def _by_patient(x: FloatArray, residual: FloatArray, groups: NDArray[np.intp], inverse: FloatArray) -> _Robust:
    """CR2 covariance and Satterthwaite's degrees of freedom of each coefficient.

    With u_g = A_g X_g M c for the contrast c, the quadratic form has the matrix with entries
    ``δ_gh u_g′u_g − (X_g′u_g)′ M (X_h′u_h)``; its trace squared over the trace of its square are the degrees.
    """
    p = x.shape[1]
    order = np.argsort(groups, kind="stable")
    sizes = np.bincount(groups)
    starts = np.concatenate([[0], np.cumsum(sizes)[:-1]])
    root = np.linalg.cholesky(inverse)
    meat, cross = np.zeros((p, p)), np.zeros((p, p, p))
    trace, square = np.zeros(p), np.zeros(p)
    one_patient = np.zeros(p, dtype=bool)
    for size in np.unique(sizes):
        rows = order[starts[sizes == size][:, None] + np.arange(size)]
        own = x[rows]  # patients, records, columns
        values, vectors = np.linalg.eigh(np.eye(size) - own @ inverse @ own.swapaxes(1, 2))
        alone = values < _FULL_LEVERAGE
        power = np.where(alone, 0.0, np.where(alone, 1.0, values) ** -0.5)
        adjust = np.einsum("gij,gj,gkj->gik", vectors, power, vectors)
        score = np.einsum("gip,gij,gj->gp", own, adjust, residual[rows])
        meat += score.T @ score
        # u by coefficient: column j of A_g X_g M
        u = adjust @ own @ inverse
        length = (u**2).sum(axis=1)
        shared = np.einsum("gip,giq,pr->gqr", own, u, root)
        size_shared = (shared**2).sum(axis=2)
        trace += (length - size_shared).sum(axis=0)
        square += (length**2 - 2 * length * size_shared).sum(axis=0)
        cross += np.einsum("gqi,gqj->qij", shared, shared)
        rests = np.abs(np.einsum("gij,gip->gjp", vectors, own @ inverse)) > 1e-6 * np.sqrt(np.diag(inverse))
        one_patient |= (rests & alone[:, :, None]).any(axis=(0, 1))
    square += (cross**2).sum(axis=(1, 2))
    degrees = np.zeros(p)
    np.divide(trace**2, square, out=degrees, where=square > 0)
    return _Robust(inverse @ meat @ inverse, degrees, one_patient)
