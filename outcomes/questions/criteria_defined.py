"""What each criterion means: on whom, what is asked, who is left out, who answers for it; for the definitions."""

from __future__ import annotations

from outcomes.findings import Grid
from outcomes.protocol import Condition, Criterion, Protocol
from outcomes.protocol.criteria_columns import SESSION, ZONE
from outcomes.questions.criteria_judge import first_due
from outcomes.records.vocabulary import REGIONS, ZONES
from outcomes.wording import count, decapital, listing, percent, quantity

_NO_SOURCE = "common practice, no source"
_RULES = {"census": "count", "interval": "interval"}


def criteria_defined(protocol: Protocol) -> Grid:
    """The criteria in force as a table of words."""
    rows = tuple(
        (
            criterion.title,
            _on_whom(criterion),
            f"{criterion.direction} {percent(criterion.target)}, by {_RULES[criterion.rule]}",
            criterion.owner,
            _why(criterion),
            count(first_due(criterion, protocol)),
        )
        for criterion in protocol.criteria
    )
    return Grid(
        title="Standards: on whom, against which target, and why",
        detail=True,
        headers=("Criterion", "applies to", "target", "owner", "why", "from day"),
        rows=rows,
        number_columns=(5,),
        note="By count: every record counts. By interval: the whole interval has to lie on one side. From day: first judged so "
        f"many days after treatment, severe events after they were found. Source, where none is named: {_NO_SOURCE}.",
    )


def _on_whom(criterion: Criterion) -> str:
    words = population_words(criterion)
    return words if criterion.exceptions == "none" else f"{words}; exceptions: {criterion.exceptions}"


def _why(criterion: Criterion) -> str:
    """The rationale, and the source where one is named."""
    source = "" if criterion.source == _NO_SOURCE else f"Source: {criterion.source}."
    return " ".join(part for part in (criterion.rationale, source) if part) or "not said"


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
