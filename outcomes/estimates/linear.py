"""By how much does a quantity differ along covariates, when records cluster in patients?"""

from __future__ import annotations

import numpy as np
import statsmodels.api as sm
from numpy.typing import ArrayLike
from scipy import stats

from outcomes.estimates.design import Design
from outcomes.estimates.estimate import Answer, Estimate, Fit, NotEstimable

METHOD = "linear regression, cluster-robust covariance by patient (CR1), t reference"


def linear_regression(
    design: Design, values: ArrayLike, *, cluster: ArrayLike, level: float = 0.95, unit: str = ""
) -> Fit | NotEstimable:
    """By how much does the mean of a quantity differ for one step of each covariate, the others equal?

    Ordinary least squares ``b = (X′X)⁻¹X′y``; covariance ``c (X′X)⁻¹ (Σ_g X_g′e_g e_g′X_g) (X′X)⁻¹`` with
    ``c = G/(G−1) · (n−1)/(n−p)``, referred to t on G − 1 degrees of freedom. It assumes a mean that is linear in the
    covariates and many patients; the spread may differ from record to record.

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
    Liang KY, Zeger SL (1986) Biometrika 73:13–22. doi:10.1093/biomet/73.1.13
    Cameron AC, Miller DL (2015) J Hum Resour 50:317–372. doi:10.3368/jhr.50.2.317

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
    found = sm.OLS(response, design.matrix).fit()
    if float(found.ssr) <= 1e-18 * float((response**2).sum() + 1.0):
        return refuse("no spread about the fitted mean")
    covariance = np.asarray(found.get_robustcov_results("cluster", groups=groups, use_t=True).cov_params(), dtype=float)
    errors = np.sqrt(np.diag(covariance))
    quantile = float(stats.t.ppf(0.5 + level / 2, patients - 1))
    terms: list[Answer] = []
    for name, value, error in list(zip(design.labels, found.params, errors, strict=True))[1:]:
        if not error > 0:
            terms.append(NotEstimable(name, "rests on one patient alone", n=n, patients=patients, method=METHOD))
            continue
        p_value = min(1.0, max(2 * float(stats.t.sf(abs(value) / error, patients - 1)), 1e-300))
        terms.append(
            Estimate(
                name,
                float(value),
                float(value - quantile * error),
                float(value + quantile * error),
                METHOD,
                n,
                level=level,
                unit=f"difference in {unit}" if unit else "difference",
                patients=patients,
                p_value=p_value,
            )
        )
    return Fit(
        METHOD,
        tuple(terms),
        tuple(design.labels),
        np.asarray(found.params, dtype=float),
        covariance,
        n,
        patients=patients,
        degrees_of_freedom=np.full(p, patients - 1.0),
    )
