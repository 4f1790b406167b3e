"""How sure is a coefficient when records cluster in patients? Sandwich covariances with few clusters in mind.

Only each patient's p × p information and p-vector of scores enter, so rows may be grouped (k events of n) and no
matrix of the size of a patient's records is ever formed; patients are handled in batches.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from outcomes.estimates.binary import Cells
from outcomes.estimates.estimate import FloatArray

_BATCH_NUMBERS = 20_000_000  # p × p numbers held at once
_FULL_LEVERAGE = 1e-9  # below this distance from 1 a patient alone determines a direction


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
    one_patient: np.ndarray[tuple[int], np.dtype[np.bool_]]
    clusters: int


def cluster_covariance(
    matrix: FloatArray,
    cells: Cells,
    probability: FloatArray,
    inverse: FloatArray,
    contrasts: FloatArray | None = None,
) -> ClusterCovariance:
    """How do the coefficients vary from patient to patient?

    With A_g = X_g′W_gX_g and s_g = X_g′(y − μ) of patient g, M the inverse of Σ A_g, and C_g the symmetric
    form R′A_gR of A_gM where M = RR′::

        CR0 = M (Σ s_g s_g′) M
        CR2 = R (Σ u_g u_g′) R′,  u_g = (I − C_g)^(−1/2) R′s_g
        CR3 = the same with (I − C_g)^(−1)

    Satterthwaite's degrees of freedom of coefficient j are (tr Q)² / tr(Q²) with Q the matrix of the quadratic
    form of CR2's j-th variance under the working model.

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

    References
    ----------
    Bell RM, McCaffrey DF (2002) Survey Methodology 28:169–181.
    Pustejovsky JE, Tipton E (2018) J Bus Econ Stat 36:672–683. doi:10.1080/07350015.2016.1247004
    Mancl LA, DeRouen TA (2001) Biometrics 57:126–134. doi:10.1111/j.0006-341X.2001.00126.x
    """
    p = matrix.shape[1]
    root = np.linalg.cholesky(inverse)
    wanted = root if contrasts is None else contrasts @ root
    q = len(wanted)
    meat = np.zeros((p, p))
    meat_two = np.zeros((p, p))
    meat_three = np.zeros((p, p))
    trace = np.zeros(q)
    trace_square = np.zeros(q)
    cross = np.zeros((q, p, p))
    one_patient = np.zeros(q, dtype=bool)
    for information, score in _batches(matrix, cells, probability):
        values, vectors = np.linalg.eigh(root.T @ information @ root)
        left = np.clip(1 - values, 0.0, 1.0)
        determined = left < _FULL_LEVERAGE
        safe = np.where(determined, 1.0, left)
        half, full = np.where(determined, 0.0, safe**-0.5), np.where(determined, 0.0, 1 / safe)
        turned = np.einsum("gji,gj->gi", vectors, score @ root)
        two = np.einsum("gij,gj->gi", vectors, half * turned)
        three = np.einsum("gij,gj->gi", vectors, full * turned)
        meat += score.T @ score
        meat_two += two.T @ two
        meat_three += three.T @ three
        rows = np.einsum("gji,kj->gki", vectors, wanted)  # contrast k in patient g's directions
        share = np.abs(rows) > 1e-6 * np.linalg.norm(wanted, axis=1)[None, :, None]
        one_patient |= (share & determined[:, None, :]).any(axis=(0, 2))
        diagonal = np.einsum("gki,gi->gk", rows**2, values * half**2)
        y = np.einsum("gij,gkj->gki", vectors, rows * (values * half)[:, None, :])
        length = (y**2).sum(axis=2)
        trace += (diagonal - length).sum(axis=0)
        trace_square += (diagonal**2 - 2 * diagonal * length).sum(axis=0)
        cross += np.einsum("gki,gkj->kij", y, y)
    trace_square += (cross**2).sum(axis=(1, 2))
    with np.errstate(divide="ignore", invalid="ignore"):
        degrees = np.where(trace_square > 0, trace**2 / trace_square, 0.0)
    return ClusterCovariance(
        uncorrected=inverse @ meat @ inverse,
        bias_reduced=root @ meat_two @ root.T,
        leave_one_out=root @ meat_three @ root.T,
        degrees_of_freedom=degrees,
        one_patient=one_patient,
        clusters=cells.clusters,
    )


def _batches(matrix: FloatArray, cells: Cells, probability: FloatArray) -> Iterator[tuple[FloatArray, FloatArray]]:
    """Each patient's information and score, some patients at a time; cells are sorted by patient."""
    p = matrix.shape[1]
    starts = np.searchsorted(cells.cluster, np.arange(cells.clusters + 1))
    mu = probability[cells.pattern]
    residual = cells.events - cells.trials * mu
    weight = cells.trials * mu * (1 - mu)
    first = 0
    while first < cells.clusters:
        limit = int(starts[first]) + max(1, _BATCH_NUMBERS // (p * p))
        last = max(first + 1, int(np.searchsorted(starts, limit, side="right")) - 1)
        last = min(last, cells.clusters)
        part = slice(int(starts[first]), int(starts[last]))
        rows = matrix[cells.pattern[part]]
        at = starts[first:last] - starts[first]
        score = np.add.reduceat(rows * residual[part, None], at, axis=0)
        products = np.einsum("ni,nj->nij", rows * weight[part, None], rows)
        yield np.add.reduceat(products, at, axis=0), score
        first = last
