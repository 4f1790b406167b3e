"""The default audit.toml as text: every entry with its meaning, its default and what is allowed."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import fields

from outcomes.protocol.criteria import CRITERIA, DIRECTIONS, MEASURES, RULES, UNITS, Condition, Criterion
from outcomes.protocol.read import CHOICES, NAMES, PLAIN, RANGES, TABLES
from outcomes.protocol.types import Protocol
from outcomes.records.vocabulary import OUTCOMES

_WIDTH = 110
MEANINGS: dict[str, str] = {
    "title": "Title of the report.",
    "organisation": "Name of the clinic on the report; empty for none.",
    "level": "Confidence level of every interval. Verdicts on outcome criteria follow it: at 0.95 met and not met are "
    "each meant to be wrong at most 2.5 % of the time.",
    "spot_class": "Beam width that the models of settings are about; energy compares only within one.",
    "aft_family": "Family of the healing model.",
    "fewest_patients_beside": "Patients needed on either side of a setting's step before an effect is stated.",
    "fewest_in_support": "Patients within a stretch of a setting below which no curve is drawn.",
    "fewest_judged": "Zones below which a practitioner is shown and never flagged.",
    "lowest_reach": "Share of zones seen late enough, below which a risk among all treated is not given.",
    "fewest_seen": "Patients seen late enough, below which a risk among all treated is not given.",
    "collinear_above": "R squared of a setting on the rest of the model above which its effect is cannot say.",
    "replicates": "Bootstrap replicates of the bands of healing.",
    "seed": "Seed of the bootstrap: the same records give the same bands.",
    "modelled": "Outcomes asked about in settings and risk.",
    "judged": "Outcomes that practitioners are compared on.",
    "anaesthesia": "Limits that recorded anaesthesia is held against. From memory: confirm them locally. They are never "
    "advice.",
    "anaesthesia.mg_per_kg": "Highest injected lidocaine without adrenaline, mg for each kg of body weight.",
    "anaesthesia.cap_mg": "The same altogether, mg.",
    "anaesthesia.mg_per_kg_with_adrenaline": "Highest injected lidocaine with adrenaline, mg for each kg.",
    "anaesthesia.cap_mg_with_adrenaline": "The same altogether, mg.",
    "anaesthesia.works_from_min": "Minutes after the last injection from which a block is taken to work.",
    "anaesthesia.works_until_min": "Minutes after the last injection until which it is.",
    "anaesthesia.topical_at_least_min": "Contact time that a topical agent is meant to have, minutes.",
    "watch": "How control charts are set.",
    "watch.odds_ratio": "Change of the odds that a chart is built to find: this many times as high, and one over it.",
    "watch.months_between_false_alarms": "Average months between two signals of one side when nothing has changed.",
    "disclosure": "What is held back so that no person can be worked out. It can be made stricter, never weaker.",
    "disclosure.smallest_count": "Counts from 1 to one below this are not printed in what leaves the clinic.",
    "disclosure.fewest_peers": "Practitioners that must be pooled before they are shown to one of them.",
    "disclosure.largest_peer_share": "Share of the pooled zones that no single one of them may exceed.",
}
_HEAD = """# audit.toml: what the audit fixes before the data are looked at.
#
# Every entry stands here with its default. Leave out what you do not change; give the file to the audit with
# --config. An entry that is not known is an error that names the nearest right one.
# Windows, limits and criteria are common practice without a source unless one is named: confirm them locally.
# Nothing here is advice for a patient.
"""
_WINDOWS = (
    "Days after treatment. A complication counts up to window_days; a zone counts as free of it only if seen on or after "
    "seen_from_day. Whole numbers from 0 to 3650, seen_from_day no later than window_days. The windows of delayed healing "
    "and of redness beyond day 90 follow from their definition."
)
_CRITERIA = (
    "The standards. Name a criterion by its id to change it, write use = false to switch it off, or add one of your own "
    "(title, measure and target are needed; the rest has defaults)."
)


def commented_default() -> str:
    """The default audit.toml with every entry explained; read back, it is the defaults.

    Returns
    -------
    str
        TOML text, ending with a line break.
    """
    default = Protocol()
    parts = [_HEAD.rstrip()]
    for key in (*PLAIN, *NAMES):
        parts.append("\n".join([*_explained(key), f"{key} = {_toml(getattr(default, key))}"]))
    for name in TABLES:
        lines = [*_comment(MEANINGS[name]), f"[{name}]"]
        group = getattr(default, name)
        for entry in fields(group):
            lines += [*_explained(f"{name}.{entry.name}"), f"{entry.name} = {_toml(getattr(group, entry.name))}"]
        parts.append("\n".join(lines))
    parts.append("\n".join(_comment(_WINDOWS)))
    for outcome in OUTCOMES:
        if outcome.derived_from is None:
            days = [f"seen_from_day = {outcome.seen_from_day}"]
            if outcome.window_days is not None:
                days.insert(0, f"window_days = {outcome.window_days}")
            parts.append("\n".join([f"[windows.{outcome.name}]", *days]))
    parts.append("\n".join(_criteria_comment()))
    parts += ["\n".join(_criterion(criterion)) for criterion in CRITERIA]
    return "\n\n".join(parts) + "\n"


def _explained(key: str) -> list[str]:
    """Meaning of an entry and what is allowed."""
    if key in CHOICES:
        allowed = f"One of: {', '.join(CHOICES[key])}."
    elif key in NAMES:
        allowed = f"Any of: {', '.join(outcome.name for outcome in OUTCOMES)}."
    elif key in RANGES:
        low, high = RANGES[key]
        allowed = f"Allowed: {low:g} to {high:g}." if high < 1e9 else f"Allowed: {low:g} or more."
    else:
        allowed = "Any text."
    return _comment(f"{MEANINGS[key]} {allowed}")


def _criteria_comment() -> list[str]:
    lines = _comment(_CRITERIA)
    lines += ["#", "# measure, with the entries that it needs:"]
    for name, (needs, meaning) in MEASURES.items():
        lines.append(f"#   {name} ({', '.join(needs) or 'nothing more'}): {meaning}")
    lines += [
        "# target: a share from 0 to 1; for the measure outcome it is the share with the complication",
        f"# direction: {' or '.join(DIRECTIONS)}",
        f"# rule: {' or '.join(RULES)}; census counts every record, interval asks whether the whole interval lies on one",
        "#   side of the target (outcome and healed_by are always judged so)",
        f"# unit: {' or '.join(UNITS)}; each is counted once",
        '# where: columns that must all hold, such as { region = ["face"] } or { red_after_day = { at_least = 30 } };',
        "# where_any: columns of which one must hold; a blank never does",
        "# due_day: day after treatment before which it is not judged, 0 to 3650",
        "# exceptions, owner (a role, never a name), rationale, source: text for the report",
    ]
    return lines


def _criterion(criterion: Criterion) -> Iterator[str]:
    yield "[[criteria]]"
    for entry in fields(criterion):
        value = getattr(criterion, entry.name)
        if entry.name in ("where", "where_any"):
            if value:
                yield f"{entry.name} = {_where(value)}"
        elif value not in (None, ()) and not (entry.name in ("due_day", "rationale") and not value):
            yield f"{entry.name} = {_toml(value)}"


def _where(conditions: Sequence[Condition]) -> str:
    parts = []
    for condition in conditions:
        if condition.values:
            parts.append(f"{condition.column} = {_toml(condition.values)}")
        else:
            limits = [
                f"{key} = {_toml(getattr(condition, key))}"
                for key in ("at_least", "at_most")
                if getattr(condition, key) is not None
            ]
            parts.append(f"{condition.column} = {{ {', '.join(limits)} }}")
    return f"{{ {', '.join(parts)} }}"


def _toml(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)
    if isinstance(value, tuple):
        return f"[{', '.join(_toml(each) for each in value)}]"
    return repr(value)


def _comment(text: str) -> list[str]:
    lines, line = [], "#"
    for word in text.split():
        if len(line) + 1 + len(word) > _WIDTH:
            lines.append(line)
            line = "#"
        line += f" {word}"
    return [*lines, line]
