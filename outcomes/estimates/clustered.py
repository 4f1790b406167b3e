"""The linearised variance of a share whose records cluster in patients."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from outcomes.estimates.arrays import cluster_codes, numbers, positions, weights


class ClusteredShare:
    """A share of records that cluster in patients, with its linearised variance by patient.

    Attributes
    ----------
    n, events, patients : int
    share : float
    variance : float
        ``G/(G−1) · Σ_g (Σ_{i∈g} w_i (y_i − p) / Σw)²``; nan for a single patient.
    effective_patients : float
        Kish's effective number of patients, each with the mean weight of its records.
    alike : float
        Design effect if all records of a patient were alike: ``n · Σ_g W_g² / (Σ W_g)²``, W_g the patient's weight.
    rarer : int
        Patients with the rarer of the two results: those with an event, or those with a record without.
    """

    __slots__ = ("alike", "effective_patients", "events", "n", "patients", "rarer", "share", "variance")

    def __init__(
        self,
        event: ArrayLike,
        cluster: ArrayLike,
        trials: ArrayLike | None,
        weight: ArrayLike | None,
    ) -> None:
        k = numbers("event", event)
        m = np.ones(len(k)) if trials is None else numbers("trials", trials)
        w = weights(weight, len(k))
        if m.shape != k.shape:
            raise ValueError("event and trials differ in length")
        if np.any((k < 0) | (k > m)):
            raise ValueError(f"events outside 0 … trials at {positions((k < 0) | (k > m))}")
        codes = cluster_codes(cluster, len(k))
        kept = (m > 0) & (w > 0)
        k, m, w, codes = k[kept], m[kept], w[kept], codes[kept]
        self.n = round(float(m.sum()))
        self.events = round(float(k.sum()))
        codes = np.unique(codes, return_inverse=True)[1]
        self.patients = int(codes.max() + 1) if len(codes) else 0
        if not self.n:
            return
        total = float((w * m).sum())
        self.share = float((w * k).sum()) / total
        if self.events in (0, self.n):
            self.share = float(self.events > 0)
        residual = np.bincount(codes, w * (k - m * self.share) / total, self.patients)
        g = self.patients
        self.variance = g / (g - 1) * float((residual**2).sum()) if g > 1 else math.nan
        carried = np.bincount(codes, w * m, g)
        self.alike = self.n * float((carried**2).sum()) / total**2
        self.rarer = min(int((np.bincount(codes, part, g) > 0).sum()) for part in (k, m - k))
        # without an event each patient counts once, with the mean weight of its records
        own = carried / np.bincount(codes, m, g)
        self.effective_patients = float(own.sum() ** 2 / (own**2).sum())


def design_effect(
    event: ArrayLike,
    cluster: ArrayLike,
    *,
    trials: ArrayLike | None = None,
    weight: ArrayLike | None = None,
) -> float:
    """By what factor does the likeness of one patient's records inflate the variance of a share?

    Linearised variance by patient over that of as many independent records, never under 1. With no event
    or nothing but events it cannot be estimated and is the mean number of records of a patient.

    Parameters
    ----------
    event, cluster, trials, weight
        As in `outcomes.estimates.proportion.clustered_proportion`.

    Returns
    -------
    float
        1 or more.

    Raises
    ------
    ValueError
        Without records, or where an entry is missing, of another length or out of bounds.

    References
    ----------
    Korn EL, Graubard BI (1998) Survey Methodology 24:193-201.

    Examples
    --------
    >>> round(design_effect([1, 1, 0, 0, 0, 0, 1, 0], [*"aabbccdd"]), 3)
    1.956
    """
    data = ClusteredShare(event, cluster, trials, weight)
    if data.n == 0:
        raise ValueError("no records to estimate a design effect from")
    share = data.share
    if share in (0.0, 1.0) or data.patients < 2:
        return max(1.0, data.n / data.patients)
    return max(1.0, data.variance / (share * (1 - share) / data.n))
