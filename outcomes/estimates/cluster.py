"""How sure is a coefficient when records cluster in patients? Sandwich covariances with few clusters in mind.

Rows may be grouped (k events of n): what a patient adds depends on the patient's distinct patterns only. Patients
with as many distinct patterns are handled together.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from outcomes.estimates.binary import Cells
from outcomes.estimates.estimate import FloatArray

_BATCH_NUMBERS = 10_000_000  # numbers held at once in the largest array
_FULL_LEVERAGE = 1e-9  # below this distance from 1 a patient alone determines a direction
_SINGULAR = 1e-13  # eigenvalues below this share of the largest are taken as zero

_LEAST_WEIGHT = 1e-30  # keeps a record finite whose fitted probability rounds to 0 or 1


@dataclass(frozen=True, slots=True, eq=False)
class ClusterCovariance:
    """Sandwich covariances of logistic coefficients.

    Attributes
    ----------
    uncorrected : ndarray of shape (p, p)
        CR0.
    bias_reduced : ndarray of shape (p, p)
        CR2, unbiased if the working model holds.
    leave_one_out : ndarray of shape (p, p)
        CR3, the one-step leave-one-patient-out variance.
    degrees_of_freedom : ndarray of shape (q,)
        Satterthwaite's, of CR2, for each contrast (each coefficient unless contrasts were given).
    one_patient : boolean ndarray of shape (q,)
        True where leaving out one patient would leave a contrast without any record to rest on.
    clusters : int
    """

    uncorrected: FloatArray
    bias_reduced: FloatArray
    leave_one_out: FloatArray
    degrees_of_freedom: FloatArray
    one_patient: NDArray[np.bool_]
    clusters: int


def cluster_covariance(
    matrix: FloatArray,
    cells: Cells,
    probability: FloatArray,
    inverse: FloatArray,
    contrasts: FloatArray | None = None,
) -> ClusterCovariance:
    """How do the coefficients vary from patient to patient?

    With M = RR′ the inverse information, patient g's cells give Z_g (rows √(n μ(1 − μ)) x′R), residuals
    e_g = (k − nμ)/√(n μ(1 − μ)) and H_g = Z_gZ_g′. Then, with u_g summed over patients::

        CR0 = R (Σ u_g u_g′) R′,  u_g = Z_g′ e_g
        CR3 = the same with       u_g = Z_g′ (I − H_g)⁻¹ e_g
        CR2 = the same with       u_g = Z_g′ B_g^(−1/2) w_g e_g,  B_g = w_g (I − H_g) w_g,  w_g = diag μ(1 − μ)

    CR2 so defined solves the equation of Bell and McCaffrey with the square root of Pustejovsky and Tipton, on the
    scale of the response; grouping a patient's equal records does not change it.
    Satterthwaite's degrees of freedom of a contrast are (tr Q)² / tr(Q²), Q being the matrix of the quadratic form of
    its CR2 variance under the working model.

    Parameters
    ----------
    matrix : ndarray of shape (m, p)
        Covariate patterns.
    cells : Cells
        Counts by patient and pattern.
    probability : ndarray of shape (m,)
        Fitted probability of each pattern.
    inverse : ndarray of shape (p, p)
        M.
    contrasts : ndarray of shape (q, p) or None
        Combinations of coefficients that degrees of freedom and `one_patient` are wanted for; the coefficients
        themselves when None.

    Returns
    -------
    ClusterCovariance

    References
    ----------
    Bell RM, McCaffrey DF (2002) Survey Methodology 28:169–181.
    Pustejovsky JE, Tipton E (2018) J Bus Econ Stat 36:672–683. doi:10.1080/07350015.2016.1247004
    Mancl LA, DeRouen TA (2001) Biometrics 57:126–134. doi:10.1111/j.0006-341X.2001.00126.x

    Examples
    --------
    >>> import pandas as pd
    >>> from outcomes.estimates.binary import observe
    >>> from outcomes.estimates.design import build
    >>> rows = pd.DataFrame({"event": [1, 1, 0, 0, 0, 0, 1, 0], "patient": [*"aabbccdd"]})
    >>> data = observe(build(rows, []), rows["event"], cluster=rows["patient"])
    >>> share = data.events / data.trials
    >>> inverse = np.array([[1 / float(data.trials[0] * share[0] * (1 - share[0]))]])
    >>> found = cluster_covariance(data.matrix, data.cells, share, inverse)
    >>> round(float(found.bias_reduced[0, 0]), 3), round(float(found.degrees_of_freedom[0]), 3)
    (1.043, 3.0)
    """
    p = matrix.shape[1]
    root = np.linalg.cholesky(inverse)
    wanted = root if contrasts is None else contrasts @ root
    length = np.linalg.norm(wanted, axis=1)
    meat = np.zeros((3, p, p))
    trace, trace_square = np.zeros(len(wanted)), np.zeros(len(wanted))
    cross = np.zeros((len(wanted), p, p))
    one_patient = np.zeros(len(wanted), dtype=bool)
    for part in _batches(matrix @ root, cells, probability, widest=max(p, len(wanted))):
        values, vectors = np.linalg.eigh(np.eye(part.size) - part.z @ part.z.swapaxes(1, 2))
        determined = values < _FULL_LEVERAGE
        turned = np.einsum("gij,gi->gj", vectors, part.residual)
        solved = np.einsum("gij,gj->gi", vectors, np.where(determined, 0.0, turned / np.where(determined, 1.0, values)))
        adjust = _half_inverse(part)
        for kind, residual in enumerate((part.residual, np.einsum("gij,gj->gi", adjust, part.residual), solved)):
            u = np.einsum("gip,gi->gp", part.z, residual)
            meat[kind] += u.T @ u
        along = np.einsum("gij,gip,qp->gqj", vectors, part.z, wanted, optimize=True)
        rests = (np.abs(along) > 1e-6 * length[None, :, None]) & determined[:, None, :]
        one_patient |= rests.any(axis=(0, 2))
        loading = np.einsum("gij,gip,qp->gqj", adjust, part.z, wanted, optimize=True)
        own = (loading**2).sum(axis=2)
        shared = np.einsum("gqi,gip->gqp", loading, part.z)
        size = (shared**2).sum(axis=2)
        trace += (own - size).sum(axis=0)
        trace_square += (own**2 - 2 * own * size).sum(axis=0)
        cross += np.einsum("gqi,gqj->qij", shared, shared)
    trace_square += (cross**2).sum(axis=(1, 2))
    degrees = np.zeros(len(wanted))
    np.divide(trace**2, trace_square, out=degrees, where=trace_square > 0)
    uncorrected, bias_reduced, leave_one_out = (root @ middle @ root.T for middle in meat)
    return ClusterCovariance(uncorrected, bias_reduced, leave_one_out, degrees, one_patient, cells.clusters)


@dataclass(frozen=True, slots=True, eq=False)
class _Batch:
    """Patients with the same number of cells: z (g, size, p), residual and weight (g, size)."""

    size: int
    z: FloatArray
    residual: FloatArray
    weight: FloatArray


def _half_inverse(part: _Batch) -> FloatArray:
    """B^(−1/2) w of each patient, directions that the patient alone determines left out."""
    gap = np.eye(part.size) - part.z @ part.z.swapaxes(1, 2)
    # a common factor of a patient's weights cancels; taking it out keeps the eigenvalues near 1
    weight = part.weight / part.weight.max(axis=1, keepdims=True)
    values, vectors = np.linalg.eigh(weight[:, :, None] * gap * weight[:, None, :])
    floor = _SINGULAR * values.max(axis=1, keepdims=True)
    determined = values <= floor
    power = np.where(determined, 0.0, np.where(determined, 1.0, values) ** -0.5)
    found = np.einsum("gij,gj,gkj,gk->gik", vectors, power, vectors, weight, optimize=True)
    return np.asarray(found, dtype=np.float64)


def _batches(turned: FloatArray, cells: Cells, probability: FloatArray, *, widest: int) -> Iterator[_Batch]:
    mu = probability[cells.pattern]
    weight = np.maximum(mu * (1 - mu), _LEAST_WEIGHT)
    spread = np.sqrt(cells.trials * weight)
    residual = (cells.events - cells.trials * mu) / spread
    sizes = np.bincount(cells.cluster, minlength=cells.clusters)
    starts = np.concatenate([[0], np.cumsum(sizes)[:-1]])
    for size in np.unique(sizes):
        members = np.flatnonzero(sizes == size)
        together = max(1, _BATCH_NUMBERS // int(size * max(size, widest)))
        for first in range(0, len(members), together):
            rows = starts[members[first : first + together]][:, None] + np.arange(size)
            z = turned[cells.pattern[rows]] * spread[rows][:, :, None]
            yield _Batch(int(size), z, residual[rows], weight[rows])
