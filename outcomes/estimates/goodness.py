"""How well do fitted risks describe the records that they were fitted to?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats

from outcomes.estimates.binary import Values, whole_numbers
from outcomes.estimates.estimate import FloatArray, NotEstimable
from outcomes.estimates.ratios import floored


@dataclass(frozen=True, slots=True)
class Explained:
    """How much of the outcome a model explains on its own records.

    Attributes
    ----------
    likelihood_ratio : float
        χ² of the model against the intercept alone.
    shrinkage : float or None
        Heuristic shrinkage, (χ² − df) / χ²; None where the model explains nothing.
    nagelkerke, cox_snell, tjur : float
        Measures of explained variation.
    """

    likelihood_ratio: float
    shrinkage: float | None
    nagelkerke: float
    cox_snell: float
    tjur: float


def explained(events: Values, predicted: FloatArray, parameters: int) -> Explained | NotEstimable:
    """How much of the outcome does the model explain on the records it was fitted to?

    With χ² twice the gain in log-likelihood ℓ over the intercept alone ℓ₀: Cox and Snell's ``1 − exp(−χ²/n)``, Nagelkerke's,
    which divides it by its largest value ``1 − exp(2ℓ₀/n)``, and Tjur's, the difference of mean predictions between events
    and others.

    Parameters
    ----------
    events : array of shape (n,)
    predicted : ndarray of shape (n,)
        Fitted probabilities.
    parameters : int
        Parameters beside the intercept.

    Returns
    -------
    Explained or NotEstimable
        NotEstimable without events or non-events, or where a fitted probability is 0 or 1.

    References
    ----------
    van Houwelingen JC, le Cessie S (1990) Stat Med 9:1303–1325. doi:10.1002/sim.4780091109
    Tjur T (2009) Am Stat 63:366–372. doi:10.1198/tast.2009.08210

    Examples
    --------
    >>> found = explained([0, 0, 1, 0, 1, 1], np.array([0.2, 0.3, 0.4, 0.4, 0.8, 0.9]), 1)
    >>> round(found.tjur, 3)
    0.4
    """
    y = whole_numbers("events", events)
    n, events_seen = len(y), int(y.sum())
    reason = (
        "no cases"
        if n == 0
        else "no events"
        if events_seen == 0
        else "every record has the event"
        if events_seen == n
        else "a fitted probability is 0 or 1"
        if not (predicted.min() > 0 and predicted.max() < 1)
        else ""
    )
    if reason:
        return NotEstimable("explained variation", reason, n=n, events=events_seen)
    share = events_seen / n
    null = n * (share * np.log(share) + (1 - share) * np.log1p(-share))
    model = float((y * np.log(predicted) + (1 - y) * np.log1p(-predicted)).sum())
    chi = 2 * (model - null)
    cox_snell = float(-np.expm1(-chi / n))
    return Explained(
        likelihood_ratio=float(chi),
        shrinkage=float((chi - parameters) / chi) if chi > 0 else None,
        nagelkerke=cox_snell / float(-np.expm1(2 * null / n)),
        cox_snell=cox_snell,
        tjur=float(predicted[y == 1].mean() - predicted[y == 0].mean()),
    )


@dataclass(frozen=True, slots=True, eq=False)
class Groups:
    """Observed beside expected events in groups of rising predicted risk (Hosmer and Lemeshow).

    Attributes
    ----------
    n, observed, expected : ndarray of shape (groups,)
    chi_square : float
    degrees_of_freedom : int
    p_value : float
    """

    n: FloatArray
    observed: FloatArray
    expected: FloatArray
    chi_square: float
    degrees_of_freedom: int
    p_value: float


def risk_groups(
    events: Values, predicted: FloatArray, *, groups: int = 10, fitted: bool = True
) -> Groups | NotEstimable:
    """Do observed and expected events agree from low to high predicted risk?

    Groups are cut at quantiles (type 7) of the predicted risk, ties kept together. The degrees of freedom are groups
    − 2 on the records the model was fitted to, groups on others.

    ``Σ (O − E)²/(n p̄ (1 − p̄))`` over groups, against χ².

    Parameters
    ----------
    events : array of shape (n,)
        0/1 or booleans.
    predicted : ndarray of shape (n,)
        Predicted risks.
    groups : int
    fitted : bool
        True where the records are those that the model was fitted to.

    Returns
    -------
    Groups or NotEstimable
        NotEstimable where ties leave fewer than three groups, or a group's risks are all 0 or all 1.

    References
    ----------
    Hosmer DW, Lemeshow S (1980) Commun Stat Theory Methods 9:1043–1069. doi:10.1080/03610928008827941

    Examples
    --------
    >>> found = risk_groups([0, 0, 1, 0, 0, 1, 0, 1, 1], np.repeat([0.2, 0.4, 0.6], 3), groups=3)
    >>> found.degrees_of_freedom, round(found.p_value, 2)
    (1, 0.5)
    """
    y = whole_numbers("events", events)
    term, seen = "groups of predicted risk", int(y.sum())
    if len(y) == 0:
        return NotEstimable(term, "no cases", n=0, events=0)
    cuts = np.unique(np.quantile(predicted, np.linspace(0, 1, groups + 1)))
    member = np.clip(np.searchsorted(cuts, predicted, side="left") - 1, 0, None)
    member = np.unique(member, return_inverse=True)[1]  # a quantile between two values can leave a group without any
    n = np.bincount(member).astype(np.float64)
    if len(n) < 3:
        return NotEstimable(term, "predicted risks take too few values for groups", n=len(y), events=seen)
    observed = np.bincount(member, y).astype(np.float64)
    expected = np.bincount(member, predicted).astype(np.float64)
    spread = expected * (1 - expected / n)
    if not float(spread.min()) > 0:
        return NotEstimable(term, "the risks of a group are all 0 or all 1", n=len(y), events=seen)
    chi = float(((observed - expected) ** 2 / spread).sum())
    degrees = len(n) - 2 if fitted else len(n)
    return Groups(n, observed, expected, chi, degrees, floored(float(stats.chi2.sf(chi, degrees))))
