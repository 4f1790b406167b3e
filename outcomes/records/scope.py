"""`Scope`: the period under audit, the baseline beside it, the cut-off date."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, timedelta

from outcomes.errors import ProtocolError


def quarter_of(day: date) -> tuple[int, int]:
    """Year and quarter (1–4) of a date."""
    return day.year, (day.month - 1) // 3 + 1


def quarter_start(year: int, quarter: int) -> date:
    """First day of a quarter; quarters beyond 1–4 run on into the years beside."""
    year, quarter = year + (quarter - 1) // 4, (quarter - 1) % 4 + 1
    return date(year, 3 * quarter - 2, 1)


@dataclass(frozen=True, slots=True)
class Scope:
    """What is audited, beside what, and as of when.

    Attributes
    ----------
    start, end : date
        First and last day of the period.
    baseline_start, baseline_end : date
        First and last day of the baseline.
    as_of : date
        Data cut-off: decides maturity and dates the report.
    label, baseline_label : str
        Names of the two, as printed (``2026Q3``, ``2025Q3–2026Q2``).
    practitioner : str or None
        The practitioner whose benchmark this is; None for the audit of the clinic.
    """

    start: date
    end: date
    baseline_start: date
    baseline_end: date
    as_of: date
    label: str
    baseline_label: str
    practitioner: str | None = None

    @classmethod
    def quarter(cls, label: str | None, as_of: date) -> Scope:
        """Scope of one quarter beside the four before it.

        Parameters
        ----------
        label : str or None
            ``2026Q3``; None takes the last complete quarter on `as_of`.
        as_of : date
            Data cut-off.

        Raises
        ------
        ProtocolError
            If the label is not a quarter, or the quarter begins after the cut-off.

        Examples
        --------
        >>> Scope.quarter(None, date(2026, 10, 14)).label
        '2026Q3'
        >>> Scope.quarter("2026Q3", date(2026, 10, 14)).baseline_label
        '2025Q3–2026Q2'
        """
        if label is None:
            year, number = quarter_of(as_of + timedelta(days=1))
            start = quarter_start(year, number - 1)
        else:
            match = re.fullmatch(r"(\d{4})Q([1-4])", label)
            if match is None:
                raise ProtocolError("The period is not a quarter.", "Write it as year and quarter, such as 2026Q3.")
            start = quarter_start(int(match[1]), int(match[2]))
            if start > as_of:
                raise ProtocolError(
                    f"The period {label} begins after the data cut-off, {as_of.isoformat()}.",
                    "Choose an earlier period, or give --as-of.",
                )
        year, number = quarter_of(start)
        before = quarter_start(year, number - 4)
        last = quarter_of(start - timedelta(days=1))
        first = quarter_of(before)
        return cls(
            start=start,
            end=quarter_start(year, number + 1) - timedelta(days=1),
            baseline_start=before,
            baseline_end=start - timedelta(days=1),
            as_of=as_of,
            label=f"{year}Q{number}",
            baseline_label=f"{first[0]}Q{first[1]}–{last[0]}Q{last[1]}",
        )
