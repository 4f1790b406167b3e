"""Which columns a criterion may ask about, and which values they can hold."""

from __future__ import annotations

from typing import Any

from outcomes.errors import ProtocolError
from outcomes.protocol.criteria import Condition, Criterion
from outcomes.protocol.slips import unknown
from outcomes.records.contract import COLUMN, SESSION_COLUMNS_ON_ZONES, Column
from outcomes.records.dose import DOSE_COLUMNS
from outcomes.records.vocabulary import REGIONS, SPOT_CLASSES

_IDENTIFY = ("record_id", "patient_id", "session_id", "practitioner_id")
_DERIVED = (
    Column("region", "code", codes=tuple(REGIONS)),
    *(Column(name, "number") for name in DOSE_COLUMNS if name != "spot_class"),
    Column("spot_class", "code", codes=tuple(name for name, _, _ in SPOT_CLASSES)),
)
ZONE: dict[str, Column] = {
    **{n: c for n, c in COLUMN["zones"].items() if n not in SESSION_COLUMNS_ON_ZONES and n not in _IDENTIFY},
    **{column.name: column for column in _DERIVED},
}
SESSION: dict[str, Column] = {n: c for n, c in COLUMN["sessions"].items() if n not in _IDENTIFY}
_KINDS: dict[str, tuple[tuple[str, ...], str]] = {
    "yes": (("boolean",), "yes or no"),
    "one_of": (("code", "text", "list"), "a code or a word"),
    "at_most": (("number", "integer"), "a number"),
    "at_least": (("number", "integer"), "a number"),
    "before_treatment": (("date",), "a date"),
}


def conditions(name: str, key: str, value: Any) -> tuple[Condition, ...]:
    """``where`` of a criterion: column = one value, a list of them, or limits {at_least, at_most}."""
    if not isinstance(value, dict) or not value:
        raise ProtocolError(
            f"{key} of the criterion {name} is not a table of columns.",
            'Write it as { region = ["face"] } or { red_after_day = { at_least = 30 } }.',
        )
    return tuple(_condition(name, column, demand) for column, demand in value.items())


def _condition(name: str, column: str, demand: Any) -> Condition:
    known = ZONE | SESSION
    if column not in known:
        raise unknown(column, tuple(known), f"a column that the criterion {name} can ask about")
    held = known[column]
    if isinstance(demand, dict):
        for key, number in demand.items():
            if key not in ("at_least", "at_most"):
                raise unknown(key, ("at_least", "at_most"), f"a limit in the criterion {name}")
            if not isinstance(number, int | float) or isinstance(number, bool):
                raise ProtocolError(f"{key} in the criterion {name} is not a number.", "Correct it there.")
        if held.kind not in ("number", "integer") or not demand:
            raise ProtocolError(f"{column} in the criterion {name} has no such limits.", "Give it a value instead.")
        return Condition(column, at_least=_number(demand.get("at_least")), at_most=_number(demand.get("at_most")))
    values = demand if isinstance(demand, list) else [demand]
    if not values:
        raise ProtocolError(f"{column} in the criterion {name} has no value.", "Name one or more.")
    for each in values:
        if held.kind == "boolean":
            if not isinstance(each, bool):
                raise ProtocolError(f"{column} in the criterion {name} is yes or no.", "Write true or false.")
        elif held.kind not in ("code", "text", "list") or not isinstance(each, str):
            raise ProtocolError(
                f"{column} in the criterion {name} cannot be compared with that.",
                "Give words for a code, true or false for an answer, { at_least = 1 } for a number.",
            )
        elif held.codes and each not in held.codes:
            raise unknown(each, held.codes, f"a value of {column}")
    return Condition(column, tuple(values))


def check_columns(criterion: Criterion) -> None:
    """Whether the columns exist where the criterion counts, and hold what its measure asks about.

    Raises
    ------
    ProtocolError
        If not; the nearest right column is named.
    """
    own = ZONE if criterion.unit == "zone" else SESSION
    for column in criterion.columns:
        if column not in own:
            other = "session" if criterion.unit == "zone" else "zone"
            if column in (SESSION if criterion.unit == "zone" else ZONE):
                raise ProtocolError(
                    f"{column} in the criterion {criterion.id} belongs to the {other}.", f'Write unit = "{other}".'
                )
            raise unknown(column, tuple(own), f"a column of a {criterion.unit}")
        kinds, word = _KINDS.get(criterion.measure, ((), ""))
        if kinds and own[column].kind not in kinds:
            raise ProtocolError(
                f"{column} in the criterion {criterion.id} does not hold {word}.", "Choose a column that does."
            )
    if criterion.measure in ("one_of", "at_most", "at_least", "before_treatment") and len(criterion.columns) != 1:
        raise ProtocolError(
            f"The criterion {criterion.id} measures {criterion.measure} and names several columns.", "Name one."
        )
    if criterion.measure == "one_of" and (codes := own[criterion.columns[0]].codes):
        for value in criterion.values:
            if value not in codes:
                raise unknown(value, codes, f"a value of {criterion.columns[0]}")
    for condition in (*criterion.where, *criterion.where_any):
        if criterion.unit == "zone" and condition.column not in ZONE:
            raise ProtocolError(
                f"{condition.column} in the criterion {criterion.id} belongs to the session.",
                'Write unit = "session", or choose another condition.',
            )


def _number(value: float | int | None) -> float | None:
    return None if value is None else float(value)
