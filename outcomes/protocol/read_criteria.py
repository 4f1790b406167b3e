"""[[criteria]] of audit.toml: change a default criterion by its id, switch it off, or add one."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from outcomes.errors import ProtocolError
from outcomes.protocol.criteria import CRITERIA, DIRECTIONS, MEASURES, OUTCOME_MEASURES, RULES, UNITS, Criterion
from outcomes.protocol.criteria_columns import check_columns, conditions
from outcomes.protocol.slips import unknown
from outcomes.records.vocabulary import OUTCOME

_TEXTS = ("title", "measure", "direction", "rule", "unit", "exceptions", "owner", "rationale", "source")
_DAYS = ("from_day", "by_day", "within_days", "due_day")
_LISTS = ("columns", "values", "outcomes")
_NUMBERS = ("target", "limit")
CRITERION_KEYS = ("id", "use", *_TEXTS, *_NUMBERS, "where", "where_any", *_LISTS, *_DAYS)
_CHOICES = {"measure": tuple(MEASURES), "direction": DIRECTIONS, "rule": RULES, "unit": UNITS}
_NEEDED_OF_A_NEW_ONE = ("title", "measure", "target")
_LONGEST_DAY = 3650
_LONGEST_TEXT = 300


def read_criteria(value: Any) -> tuple[Criterion, ...]:
    """The criteria in force: the defaults in their order, changed as the entries say, then the new ones.

    Parameters
    ----------
    value : list of dict
        The ``[[criteria]]`` entries as TOML gives them.

    Raises
    ------
    ProtocolError
        If a key, id, measure or column is unknown (the nearest right one is named), a value is not of its kind, or a
        criterion asks what its measure cannot answer.
    """
    if not isinstance(value, list) or not all(isinstance(entry, dict) for entry in value):
        raise ProtocolError("The entry criteria is not a list of tables.", "Write [[criteria]] before each of them.")
    criteria = {criterion.id: criterion for criterion in CRITERIA}
    named: set[str] = set()
    for entry in value:
        name = _id(entry)
        if name in named:
            raise ProtocolError(f"The criterion {name} is given twice.", "Join the two in the configuration.")
        named.add(name)
        for key in entry:
            if key not in CRITERION_KEYS:
                raise unknown(key, CRITERION_KEYS, f"an entry of the criterion {name}")
        if not isinstance(entry.get("use", True), bool):
            raise _wrong(name, "use", "true or false")
        changed = _changed(name, criteria.get(name), entry)
        if entry.get("use", True):
            criteria[name] = changed
        else:
            del criteria[name]
    titles = [criterion.title for criterion in criteria.values()]
    for title in titles:
        if titles.count(title) > 1:
            raise ProtocolError(f"Two criteria have the title {title}.", "Give each its own in the configuration.")
    return tuple(criteria.values())


def _id(entry: Mapping[str, Any]) -> str:
    name = entry.get("id")
    if not isinstance(name, str) or re.fullmatch(r"[a-z][a-z0-9_]{1,39}", name) is None:
        raise ProtocolError(
            "A criterion has no id, or one that is not made of small letters, digits and underscores.",
            'Give each of [[criteria]] an id, such as id = "pain".',
        )
    return name


def _changed(name: str, before: Criterion | None, entry: Mapping[str, Any]) -> Criterion:
    if before is None:
        known = [criterion.id for criterion in CRITERIA]
        if set(entry) <= {"id", "use"}:
            raise unknown(name, tuple(known), "the id of a default criterion")
        missing = [key for key in _NEEDED_OF_A_NEW_ONE if key not in entry]
        if missing:
            near = unknown(name, tuple(known), "the id of a default criterion")
            hint = (
                near.remedy
                if near.remedy.startswith("Did you mean")
                else "A new criterion needs title, measure, target."
            )
            raise ProtocolError(f"The criterion {name} is new and has no {missing[0]}.", hint)
    values: dict[str, Any] = {key: _value(name, key, entry[key]) for key in entry if key not in ("id", "use")}
    if before is None:
        if values["measure"] in OUTCOME_MEASURES:
            values = {"rule": "interval", **values}
        if values["measure"] == "outcome":
            values = {"direction": "at most", **values}
        criterion = Criterion(id=name, **values)
    else:
        criterion = replace(before, **values)
    _check(criterion)
    return criterion


def _value(name: str, key: str, value: Any) -> Any:
    if key in _TEXTS:
        if not isinstance(value, str) or not value.strip() or len(value) > _LONGEST_TEXT:
            raise _wrong(name, key, f"a text of up to {_LONGEST_TEXT} characters")
        if key in _CHOICES and value not in _CHOICES[key]:
            raise unknown(value, _CHOICES[key], f"a {key} of a criterion")
        return value
    if key in _NUMBERS:
        if not isinstance(value, int | float) or isinstance(value, bool):
            raise _wrong(name, key, "a number")
        if key == "target" and not 0 <= value <= 1:
            raise _wrong(name, key, "a share between 0 and 1, such as 0.95")
        return float(value)
    if key in _DAYS:
        if not isinstance(value, int) or isinstance(value, bool) or not 0 <= value <= _LONGEST_DAY:
            raise _wrong(name, key, f"a whole number of days up to {_LONGEST_DAY}")
        return value
    if key in _LISTS:
        if not isinstance(value, list) or not value or not all(isinstance(word, str) for word in value):
            raise _wrong(name, key, 'a list of words, such as ["photos_before"]')
        return tuple(dict.fromkeys(value))
    return conditions(name, key, value)


def _check(criterion: Criterion) -> None:
    """Whether a criterion asks what its measure can answer, of columns that hold it."""
    name = criterion.id
    for key in MEASURES[criterion.measure][0]:
        if getattr(criterion, key) in (None, ()):
            raise ProtocolError(
                f"The criterion {name} measures {criterion.measure} and has no {key}.", "Add it in the configuration."
            )
    if criterion.measure in OUTCOME_MEASURES and criterion.rule != "interval":
        raise ProtocolError(
            f"The criterion {name} rests on an estimate, so that its records cannot be counted off.",
            'Write rule = "interval".',
        )
    if criterion.measure in (*OUTCOME_MEASURES, "severe_reviewed") and criterion.unit != "zone":
        raise ProtocolError(f"The criterion {name} can only count zones.", 'Write unit = "zone".')
    if criterion.rule == "interval" and not 0 < criterion.target < 1:
        raise ProtocolError(
            f"The criterion {name} has a target that no interval can lie beyond.",
            'Choose a target between 0 and 1, or rule = "census".',
        )
    if criterion.from_day is not None and criterion.by_day is not None and criterion.from_day > criterion.by_day:
        raise ProtocolError(f"The criterion {name} ends before it begins.", "Give from_day a value up to by_day.")
    for outcome in criterion.outcomes:
        if outcome not in OUTCOME:
            raise unknown(outcome, tuple(OUTCOME), f"an outcome in the criterion {name}")
        if OUTCOME[outcome].kind == "session":
            raise ProtocolError(
                f"{outcome} in the criterion {name} belongs to the session.", "Name outcomes of zones only."
            )
    check_columns(criterion)


def _wrong(name: str, key: str, kind: str) -> ProtocolError:
    return ProtocolError(f"{key} of the criterion {name} is not {kind}.", "Correct it in the configuration.")
