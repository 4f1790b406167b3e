"""Units that an export may use for each of ours, and their exact factors."""

from __future__ import annotations

from fractions import Fraction

from outcomes.records.headers import did_you_mean, fold

_THOUSANDTH = Fraction(1, 1000)

UNITS: dict[str, dict[str, Fraction]] = {
    # our unit: {spelling: how many of ours it is}; one spelling of each is shown in messages
    "mJ": {"mJ": Fraction(1), "J": Fraction(1000), "µJ": _THOUSANDTH, "uJ": _THOUSANDTH},
    "%": {"%": Fraction(1), "percent": Fraction(1), "fraction": Fraction(100)},
    "µm": {
        "µm": Fraction(1), "um": Fraction(1), "micron": Fraction(1), "microns": Fraction(1), "mm": Fraction(1000),
        "cm": Fraction(10_000),
    },
    "mm": {"mm": Fraction(1), "cm": Fraction(10), "µm": _THOUSANDTH, "um": _THOUSANDTH},
    "cm²": {"cm²": Fraction(1), "cm2": Fraction(1), "mm²": Fraction(1, 100), "mm2": Fraction(1, 100)},
    "W": {"W": Fraction(1), "mW": _THOUSANDTH},
    "µs": {"µs": Fraction(1), "us": Fraction(1), "ms": Fraction(1000), "s": Fraction(1_000_000)},
    "s": {"s": Fraction(1), "seconds": Fraction(1), "ms": _THOUSANDTH, "min": Fraction(60)},
    "min": {"min": Fraction(1), "minutes": Fraction(1), "h": Fraction(60), "hours": Fraction(60), "s": Fraction(1, 60)},
    "days": {"days": Fraction(1), "day": Fraction(1), "weeks": Fraction(7), "week": Fraction(7)},
    "months": {"months": Fraction(1), "month": Fraction(1), "years": Fraction(12), "year": Fraction(12)},
    "years": {"years": Fraction(1), "year": Fraction(1), "months": Fraction(1, 12), "month": Fraction(1, 12)},
    "kg": {"kg": Fraction(1), "g": _THOUSANDTH, "lb": Fraction(45_359_237, 100_000_000)},
    "g": {"g": Fraction(1), "mg": _THOUSANDTH},
    "mL": {"mL": Fraction(1), "cc": Fraction(1), "L": Fraction(1000), "µL": _THOUSANDTH, "uL": _THOUSANDTH},
}  # fmt: skip

AS_DATE = "date"
"""Unit of a column of days that the export gives as a date: days are counted from treatment."""


def unit_factor(ours: str, theirs: str) -> Fraction:
    """How many of our unit is one of the export's?

    Capital letters count only where they change the meaning (mJ, MJ).

    Raises
    ------
    ValueError
        If the export's unit cannot be turned into ours; the message lists those that can.

    Examples
    --------
    >>> unit_factor("mJ", "J"), unit_factor("days", "weeks")
    (Fraction(1000, 1), Fraction(7, 1))
    """
    known = UNITS.get(ours, {})
    spelled = theirs.strip().replace("\u03bc", "µ")  # Greek mu and the micro sign look the same
    if spelled in known:
        return known[spelled]
    alike = {factor for name, factor in known.items() if fold(name) == fold(spelled)}
    if len(alike) == 1 and len(spelled) > 2:
        return alike.pop()
    options = [*known, AS_DATE] if ours == "days" else list(known)
    if not options:
        raise ValueError("The column has no unit; leave the unit out.")
    raise ValueError(f"The unit can be {', '.join(options)}.{did_you_mean(theirs, options)}")
