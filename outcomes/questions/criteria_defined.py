"""What each criterion means: on whom, what is asked, who is left out, who answers for it; for the definitions."""

from __future__ import annotations

from outcomes.findings import Grid
from outcomes.protocol import Condition, Criterion, Protocol
from outcomes.protocol.criteria_columns import SESSION, ZONE
from outcomes.questions.criteria_judge import first_due
from outcomes.records.vocabulary import REGIONS, ZONES
from outcomes.wording import count, decapital, listing, percent, quantity

_RULES = {"census": "count", "interval": "interval"}


def criteria_defined(protocol: Protocol) -> Grid:
    """The criteria in force as a table of words."""
    rows = tuple(
        (
            criterion.title,
            population_words(criterion),
            criterion.exceptions,
            f"{criterion.direction} {percent(criterion.target)}, by {_RULES[criterion.rule]}",
            count(first_due(criterion, protocol)),
            criterion.owner,
            f"{criterion.rationale} {criterion.source[:1].upper()}{criterion.source[1:]}.".strip(),
        )
        for criterion in protocol.criteria
    )
    return Grid(
        title="Standards: on whom, with which exceptions, against which target, and why",
        headers=("Criterion", "applies to", "left out", "target", "judged from day", "owner", "why, and source"),
        rows=rows,
        number_columns=(4,),
        note="By count: every record counts. By interval: the whole interval has to lie on one side. Days are counted from "
        "treatment, for severe events from when they were found.",
    )


def population_words(criterion: Criterion) -> str:
    """To whom a criterion applies, in words.

    Examples
    --------
    >>> from outcomes.protocol import CRITERIA
    >>> population_words(next(c for c in CRITERIA if c.id == "antiviral_cover"))
    'zones with zone around the mouth or full face, or with herpes simplex before'
    >>> population_words(next(c for c in CRITERIA if c.id == "pain"))
    'all sessions'
    """
    noun = {"severe_reviewed": "events of severity 3 or more"}.get(criterion.measure, f"{criterion.unit}s")
    if criterion.measure == "dose_within_limit":
        noun = "sessions with an injection"
    parts = [_words(condition) for condition in criterion.where]
    if criterion.where_any:
        parts.append(", or with ".join(_words(condition) for condition in criterion.where_any))
    if not parts:
        return noun if noun != f"{criterion.unit}s" else f"all {noun}"
    return f"{noun} with {listing(parts)}"


def _words(condition: Condition) -> str:
    column = (ZONE | SESSION)[condition.column]
    label = column.describes or condition.column.replace("_", " ")
    if condition.column in ("zone", "skin_type", "region"):
        label = condition.column.replace("_", " ")
    if column.kind == "boolean":
        return decapital(label) if condition.values == (True,) else f"no {decapital(label)}"
    if condition.values:
        return f"{label} {listing([_value(condition.column, str(value)) for value in condition.values], 'or')}"
    limits = []
    if condition.at_least is not None:
        limits.append(f"at least {quantity(condition.at_least, column.unit)}")
    if condition.at_most is not None:
        limits.append(f"at most {quantity(condition.at_most, column.unit)}")
    return f"{label} {listing(limits)}"


def _value(column: str, value: str) -> str:
    if column == "zone":
        return ZONES[value][0]
    if column == "region":
        return REGIONS[value]
    return value.replace("_", " ")
