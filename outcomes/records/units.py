"""Does a whole column look as if it were in another unit? Said, never converted."""

from __future__ import annotations

from dataclasses import dataclass

from outcomes.records.problems import Problem
from outcomes.records.typed import Typed


@dataclass(frozen=True, slots=True)
class _Suspicion:
    """A median below `below` looks like another unit."""

    column: str
    below: float
    other: str


_SUSPICIONS: tuple[_Suspicion, ...] = (
    _Suspicion("pulse_energy_mj", 1.0, "J"),
    _Suspicion("spot_um", 10.0, "mm"),
    _Suspicion("density_pct", 1.0, "share of 1"),
)


def suspect_units(table: Typed) -> list[Problem]:
    """Which columns look, by the size of their middle value, as if they were in another unit?

    Returns
    -------
    list of Problem
        One for each such column, of the column and not of a row. Rows out of range are refused one by one; this
        says what they have in common.
    """
    found: list[Problem] = []
    for suspicion in _SUSPICIONS:
        if suspicion.column not in table.present or not table.frame[suspicion.column].notna().any():
            continue
        if float(table.frame[suspicion.column].median()) < suspicion.below:
            found.append(
                Problem(
                    table=table.table,
                    row=None,
                    column=table.header(suspicion.column),
                    rule=f"looks as if it were in {suspicion.other}, by the size of its middle value",
                    remedy="Declare the unit of this column in the mapping; nothing was converted.",
                    kind="unit_suspect",
                )
            )
    return found
