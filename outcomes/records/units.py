"""Does a whole column look as if it were in another unit? Said, never converted."""

from __future__ import annotations

import math
from dataclasses import dataclass

from outcomes.records.problems import Problem
from outcomes.records.typed import Typed

_SHARE = "shares of 1"


@dataclass(frozen=True, slots=True)
class _Suspicion:
    """A median below `below`, or above `above`, looks like another unit."""

    column: str
    other: str
    below: float = 0.0
    above: float = math.inf

    @property
    def spelling(self) -> str:
        """The unit as a mapping names it."""
        return "fraction" if self.other == _SHARE else self.other


_SUSPICIONS: tuple[_Suspicion, ...] = (
    _Suspicion("pulse_energy_mj", "J", below=1.0),
    _Suspicion("spot_um", "mm", below=10.0),
    _Suspicion("density_pct", _SHARE, below=1.0),
    _Suspicion("power_w", "mW", above=200.0),
    _Suspicion("pulse_us", "ms", below=20.0),
    _Suspicion("scan_size_mm", "cm", below=2.0),
    _Suspicion("healed_by_day", "weeks", below=3.0),
    _Suspicion("topical_min", "hours", below=3.0),
    _Suspicion("weight_kg", "lb", above=130.0),
)
"""Where the middle of a clinic's values cannot lie, by the trade's usual sizes; no source."""


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
        middle = float(table.frame[suspicion.column].median())
        if not suspicion.below <= middle <= suspicion.above and middle > 0:
            found.append(
                Problem(
                    table=table.table,
                    row=None,
                    column=table.header(suspicion.column),
                    rule=f"looks as if it were in {suspicion.other}, by the size of its middle value",
                    remedy=f'Declare unit = "{suspicion.spelling}" for it in the mapping if it is so; nothing was converted.',
                    kind="unit_suspect",
                )
            )
    return found
