"""How different would what nobody recorded have to be to change an answer: a confounder, the unseen?"""

from __future__ import annotations

import math
from dataclasses import dataclass

from outcomes.estimates.estimate import Estimate


@dataclass(frozen=True, slots=True)
class Evalue:
    """An E-value, on the risk-ratio scale.

    Attributes
    ----------
    value : float
        Risk ratio that an unmeasured confounder would need with both setting and outcome, beyond what the model
        holds, to explain the estimate away. At least 1.
    limit : float
        The same for the limit nearer to 1; 1 when the interval holds 1.
    scale : str
        How the ratio was read as a risk ratio.
    """

    value: float
    limit: float
    scale: str


def e_value(estimate: Estimate, *, rare: bool = False) -> Evalue:
    """How strong would an unmeasured confounder have to be?

    ``E = RR + √(RR (RR − 1))`` for RR ≥ 1, and the same of 1/RR below. An odds ratio is read as a risk ratio when
    the outcome is rare, else its square root is.

    Parameters
    ----------
    estimate : Estimate
        With unit ``odds ratio`` or ``risk ratio``.
    rare : bool
        True when the outcome is rare (under 15 % by the end of follow-up); concerns odds ratios only.

    Returns
    -------
    Evalue

    Raises
    ------
    ValueError
        If the estimate is no odds or risk ratio.

    References
    ----------
    VanderWeele TJ, Ding P (2017) Sensitivity analysis in observational research: introducing the E-value.
    Ann Intern Med 167:268–274. doi:10.7326/M16-2607

    Examples
    --------
    >>> smoking = Estimate("a", value=3.9, low=1.8, high=8.7, method="m", n=100, unit="risk ratio")
    >>> round(e_value(smoking).value, 2), round(e_value(smoking).limit, 2)
    (7.26, 3.0)
    """
    if estimate.unit not in ("odds ratio", "risk ratio"):
        raise ValueError("an E-value is defined here for odds ratios and risk ratios")
    root = estimate.unit == "odds ratio" and not rare

    def as_risk_ratio(ratio: float) -> float:
        return math.sqrt(ratio) if root else ratio

    near = estimate.low if estimate.value >= 1 else estimate.high
    crosses = near is None or (near <= 1 if estimate.value >= 1 else near >= 1)
    return Evalue(
        value=_bound(as_risk_ratio(estimate.value)),
        limit=1.0 if crosses or near is None else _bound(as_risk_ratio(near)),
        scale="square root of the odds ratio" if root else f"{estimate.unit} as it stands",
    )


def _bound(ratio: float) -> float:
    up = ratio if ratio >= 1 else 1 / ratio
    return up + math.sqrt(up * (up - 1))


def tipping_risk(events: int, known: int, n: int, threshold: float) -> float | None:
    """How high would the risk among the unseen have to be for the risk among all to reach a threshold?

    ``(threshold · n − events) / (n − known)``; None where nothing between none and all of them would do, or all
    were seen.

    Parameters
    ----------
    events, known, n : int
        Events among the known, records whose answer is known, and all records.
    threshold : float
        Risk among all that is to be reached.

    Returns
    -------
    float or None

    Raises
    ------
    ValueError
        If events lie outside the known, the known outside all, or the threshold outside 0 … 1.

    References
    ----------
    Little RJA, Rubin DB (2019) Statistical Analysis with Missing Data, 3rd ed., Wiley. doi:10.1002/9781119482260

    Examples
    --------
    >>> tipping_risk(4, 100, 200, 0.05)
    0.06
    """
    if not 0 <= events <= known <= n or not 0 <= threshold <= 1:
        raise ValueError("events lie within the known, the known within all, a threshold between 0 and 1")
    if known == n:
        return None
    risk = (threshold * n - events) / (n - known)
    return risk if 0 <= risk <= 1 else None
