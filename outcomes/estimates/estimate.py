"""What a number is allowed to be here: an `Estimate` with its interval, or `NotEstimable` with its reason."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

TIDY_COLUMNS = (
    "term",
    "estimate",
    "conf_low",
    "conf_high",
    "level",
    "unit",
    "method",
    "n",
    "patients",
    "events",
    "p_value",
    "p_adjusted",
    "note",
)


@dataclass(frozen=True, slots=True)
class Estimate:
    """A number, how sure it is, and what it was computed from.

    Attributes
    ----------
    term : str
        What was estimated, in words.
    value, low, high : float
        The estimate and its limits. A limit is None where the data set none (an upper limit of a median
        that the curve never reaches); at least one limit is always there.
    level : float
        Confidence level of the interval, 0.95 unless said.
    unit : str
        ``proportion``, ``difference in proportion``, ``odds ratio``, ``risk ratio``, ``time ratio``,
        ``days``, ``observed/expected`` …
    method : str
        The method, as a methods section would name it.
    n : int
        Records that entered.
    patients : int or None
        Patients among them, where the method knows patients.
    events : int or None
        Events among the records, where there are events.
    p_value, p_adjusted : float or None
        Two-sided p where a test was made; adjusted for multiplicity where that was asked.
    note : str
        What a reader must know beside the number.

    Raises
    ------
    ValueError
        If the number is not finite, lies outside its limits, has an interval of zero width or no limit at
        all, or carries p = 0: none of these may reach a page.
    """

    term: str
    value: float
    low: float | None
    high: float | None
    method: str
    n: int
    level: float = 0.95
    unit: str = ""
    patients: int | None = None
    events: int | None = None
    p_value: float | None = None
    p_adjusted: float | None = None
    note: str = ""

    def __post_init__(self) -> None:
        if not math.isfinite(self.value):
            raise ValueError(f"{self.term}: the estimate is not finite")
        if self.low is None and self.high is None:
            raise ValueError(f"{self.term}: an estimate needs at least one limit")
        for limit in (self.low, self.high):
            if limit is not None and not math.isfinite(limit):
                raise ValueError(f"{self.term}: a limit is not finite; a limit the data cannot set is None")
        if self.low is not None and self.high is not None and not self.low < self.high:
            raise ValueError(f"{self.term}: the interval has no width")
        slack = 1e-9 * max(1.0, abs(self.value))
        if self.low is not None and self.value < self.low - slack:
            raise ValueError(f"{self.term}: the estimate lies below its interval")
        if self.high is not None and self.value > self.high + slack:
            raise ValueError(f"{self.term}: the estimate lies above its interval")
        if not 0 < self.level < 1:
            raise ValueError(f"{self.term}: a confidence level lies between 0 and 1")
        for p in (self.p_value, self.p_adjusted):
            if p is not None and not 0 < p <= 1:
                raise ValueError(f"{self.term}: a p value lies above 0 and at most at 1")

    def named(self, term: str) -> Estimate:
        """Return the same estimate under another term."""
        return replace(self, term=term)


@dataclass(frozen=True, slots=True)
class NotEstimable:
    """Why a number cannot be said, and on how much: "cannot say" as a value.

    Attributes
    ----------
    term : str
        What was to be estimated, in words.
    reason : str
        Why it cannot be said, as a clause without a full stop ("2 patients with events, 12 needed").
    n, patients, events : int or None
        What there was to go on; None where it is not known or not to be said.
    method : str
        The method that was to be used.
    note : str
        What would answer it, or what else a reader must know.
    """

    term: str
    reason: str
    n: int | None
    patients: int | None = None
    events: int | None = None
    method: str = ""
    unit: str = ""
    note: str = ""

    def __post_init__(self) -> None:
        if not self.reason:
            raise ValueError(f"{self.term}: cannot say needs its reason")

    def named(self, term: str) -> NotEstimable:
        """Return the same answer under another term."""
        return replace(self, term=term)


Answer = Estimate | NotEstimable


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """What every model returns.

    Attributes
    ----------
    method : str
        The method, as a methods section would name it.
    terms : tuple of Estimate or NotEstimable
        One answer for each reported coefficient (the intercept is left out), on the reported scale.
    names : tuple of str
        Names of the p coefficients, intercept first.
    coefficients : ndarray of shape (p,)
        Coefficients on the scale of the linear predictor, intercept first.
    covariance : ndarray of shape (p, p)
        Their covariance, the one the intervals rest on (cluster-robust where the method says so).
    n, patients, events : int
        Records, patients and events that entered.
    log_likelihood : float or None
        Maximised (penalised) log-likelihood.
    degrees_of_freedom : ndarray of shape (p,) or None
        Degrees of freedom of each coefficient's t reference, None for a normal or profile reference.
    details : dict
        Further numbers by name (design effect, scale, convergence), documented by the fitting function.
    """

    method: str
    terms: tuple[Answer, ...]
    names: tuple[str, ...]
    coefficients: FloatArray
    covariance: FloatArray
    n: int
    patients: int | None = None
    events: int | None = None
    log_likelihood: float | None = None
    degrees_of_freedom: FloatArray | None = None
    details: dict[str, Any] = field(default_factory=dict)

    def term(self, name: str) -> Answer:
        """Return the answer of one term, by name.

        Raises
        ------
        KeyError
            If no term has that name.
        """
        for answer in self.terms:
            if answer.term == name:
                return answer
        raise KeyError(name)


def tidy(answers: Iterable[Answer]) -> pd.DataFrame:
    """Lay answers out as one frame with the fixed tidy columns.

    Returns
    -------
    DataFrame
        One row an answer, columns `TIDY_COLUMNS`. A "cannot say" has empty numbers and its reason in
        ``note``.

    Examples
    --------
    >>> tidy([NotEstimable(term="scarring", reason="no cases", n=0)])["note"].tolist()
    ['cannot say: no cases']
    """
    rows: list[tuple[object, ...]] = []
    for a in answers:
        if isinstance(a, Estimate):
            rows.append(
                (a.term, a.value, a.low, a.high, a.level, a.unit, a.method, a.n, a.patients, a.events,
                 a.p_value, a.p_adjusted, a.note)
            )  # fmt: skip
        else:
            note = f"cannot say: {a.reason}" + (f"; {a.note}" if a.note else "")
            rows.append(
                (
                    a.term,
                    None,
                    None,
                    None,
                    None,
                    a.unit,
                    a.method,
                    a.n,
                    a.patients,
                    a.events,
                    None,
                    None,
                    note,
                )
            )
    frame = pd.DataFrame(rows, columns=list(TIDY_COLUMNS))
    for column in ("estimate", "conf_low", "conf_high", "level", "p_value", "p_adjusted"):
        frame[column] = frame[column].astype("Float64")
    for column in ("n", "patients", "events"):
        frame[column] = frame[column].astype("Int64")
    return frame
