"""Do units differ among themselves by more than chance?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from outcomes.estimates.estimate import FloatArray

FEWEST_FOR_OVERDISPERSION = 15
_SMALLEST = float(np.finfo(float).tiny)


@dataclass(frozen=True, slots=True, eq=False)
class Overdispersion:
    """How much more do units vary than chance alone would have it?

    Attributes
    ----------
    target : float
        Risk of all units together, unless another was given.
    z : ndarray of shape (k,)
        Standardised deviations ``(y/n − target) / √(target(1−target)/n)``.
    phi : float
        Mean of the squared winsorised z: 1 is chance alone.
    phi_plain : float
        The same without winsorising.
    chi_square, p_value : float
        Of the hypothesis that all share the target, on units − 1 degrees of freedom (all of them where the
        target was given).
    between_variance : float
        Variance between units on the scale of the risk, by moments from the winsorised phi; at least 0.
    usable : bool
        False with fewer than 15 units: phi is then too uncertain to widen limits by, and the spread between
        units is to be shown with its own interval.
    """

    target: float
    z: FloatArray
    phi: float
    phi_plain: float
    chi_square: float
    p_value: float
    between_variance: float
    usable: bool


def overdispersion(
    events: ArrayLike, sizes: ArrayLike, *, target: float | None = None, winsorise: float = 0.1
) -> Overdispersion:
    """Do units differ by more than chance, with the most extreme ones pulled in?

    z is clipped at its 10th and 90th percentile (linear interpolation) before squaring.

    ``φ = Σ z²/k``, z the deviation of a unit's share from the target over its binomial standard error.

    Parameters
    ----------
    events, sizes : array of shape (k,)
        Counts of at least two units with cases.
    target : float or None
        None for the risk of all together.
    winsorise : float
        Share clipped at either end.

    Returns
    -------
    Overdispersion

    Raises
    ------
    ValueError
        With fewer than two units, a unit without cases, or a target outside 0 … 1.

    References
    ----------
    Spiegelhalter DJ (2005) Stat Med 24:1185-1202, doi:10.1002/sim.1970, section 4 and appendix A.2.

    Examples
    --------
    >>> round(overdispersion([5, 12, 9, 30], [100, 110, 90, 150]).phi, 2)
    1.81
    """
    y, n = np.asarray(events, dtype=float), np.asarray(sizes, dtype=float)
    if len(y) < 2 or np.any(n <= 0) or np.any((y < 0) | (y > n)):
        raise ValueError("at least two units are needed, each with cases and events within them")
    risk = float(y.sum() / n.sum()) if target is None else target
    if not 0 < risk < 1:
        raise ValueError("the target risk lies between 0 and 1, both excluded")
    error = np.sqrt(risk * (1 - risk) / n)
    z = (y / n - risk) / error
    k = len(z)
    pulled = np.clip(z, *np.quantile(z, [winsorise, 1 - winsorise]))
    phi, plain = float(np.mean(pulled**2)), float(np.mean(z**2))
    w = error**-2
    spread = max(0.0, (k * phi - (k - 1)) / float(w.sum() - (w**2).sum() / w.sum()))
    return Overdispersion(
        target=risk,
        z=z,
        phi=phi,
        phi_plain=plain,
        chi_square=float((z**2).sum()),
        p_value=max(float(stats.chi2.sf((z**2).sum(), k - 1 if target is None else k)), _SMALLEST),
        between_variance=spread,
        usable=k >= FEWEST_FOR_OVERDISPERSION,
    )
