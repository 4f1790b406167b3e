"""Who comes back, when, and what is found: follow-up as a clinic really gets it.

A session has its discharge check, then appointments around days 7, 30, 90, 180 and 365. Not everybody goes
on to the next one, and those with trouble do so more often; some appointments are missed, some kept late.
Whoever has not healed is asked back weekly, whoever is still red after a month is looked at again around day
60, and whoever has trouble may come, call or send a photograph by themselves.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from outcomes.records.synthetic import scenario
from outcomes.records.synthetic.draws import Stream
from outcomes.records.synthetic.outcomes_model import Result
from outcomes.records.synthetic.people import Patient
from outcomes.records.synthetic.treatments import Treatment
from outcomes.records.vocabulary import OUTCOME

AT_DISCHARGE = ("corneal_injury", "block_complication", "anaesthetic_toxicity", "faint")
"""Complications of the day itself, asked about at the discharge check."""


@dataclass(frozen=True, slots=True)
class Visit:
    """One contact, and what it found on each zone that it was about.

    Attributes
    ----------
    day : int
        Days after treatment.
    answers : dict of int to dict of str to str
        By position of the zone in the session: ``Y``, ``N`` or empty for each question, severities as text.
    """

    day: int
    contact: str
    scheduled: bool
    photos: bool
    answers: dict[int, dict[str, str]]


@dataclass(frozen=True, slots=True)
class _Contact:
    day: int
    contact: str
    scheduled: bool


def visits(
    draw: Stream,
    person: Patient,
    age: float,
    zones: list[tuple[Treatment, Result]],
    events_of_the_day: frozenset[str],
    next_session_day: int | None,
    retreated: frozenset[int],
    last_day: int,
) -> list[Visit]:
    """Draw the follow-up of one session.

    Parameters
    ----------
    zones : list of (Treatment, Result)
        The zones of the session, in order.
    next_session_day : int or None
        Day of the patient's next session, when this one is reviewed; zones in `retreated` (positions) belong
        to that session afterwards.
    last_day : int
        Day of the data cut-off.
    """
    planned = _appointments(draw, person, age, zones) + _by_themselves(draw, zones)
    if next_session_day is not None:
        planned.append(_Contact(next_session_day, "in_person", True))
    found: list[Visit] = []
    if draw.chance(0.99):
        found.append(_discharge(zones, events_of_the_day))
    seen_days: set[int] = {0}
    told: set[tuple[int, str]] = set()
    for contact in sorted(planned, key=lambda c: (c.day, c.scheduled, c.contact)):
        after = next_session_day is not None and contact.day > next_session_day
        about = [k for k in range(len(zones)) if not (after and k in retreated)]
        unanswered = draw.chance(0.02)
        photos = contact.contact in ("photo", "video") or (contact.contact == "in_person" and draw.chance(0.7))
        looked_for_infection = draw.chance(0.9)
        complains = draw.chance(0.001 if contact.scheduled else 0.05)
        if contact.day > last_day or contact.day in seen_days or not about:
            continue
        seen_days.add(contact.day)
        answers = {
            k: _answers(contact, k, zones[k][1], told, unanswered=unanswered, infection=looked_for_infection)
            for k in about
        }
        for answer in answers.values():
            answer["complaint"] = _yes(complains)
        found.append(Visit(contact.day, contact.contact, contact.scheduled, photos, answers))
    return found


def _appointments(draw: Stream, person: Patient, age: float, zones: list[tuple[Treatment, Result]]) -> list[_Contact]:
    contacts: list[_Contact] = []
    steady = scenario.STAY_LOG_ODDS.get(person.practitioner.site, 0.0)
    steady += scenario.STAY_LOG_ODDS["decade"] * (age - 50.0) / 10.0
    for number, (target, first, last, share) in enumerate(scenario.STAGES):
        trouble = scenario.STAY_LOG_ODDS["trouble"] if _in_trouble(zones, target) else 0.0
        stays = 1.0 / (1.0 + math.exp(-(math.log(share / (1.0 - share)) + steady + trouble)))
        if not draw.chance(stays):
            break
        day = draw.whole(first, last)
        if draw.chance(scenario.LATE):
            day += draw.whole(2, max(4, target // 3))
        if draw.chance(scenario.MISSED):
            continue
        contacts.append(_Contact(day, _manner(draw, number), True))
        contacts += _looked_at_again(draw, number, day, zones)
    return contacts


def _looked_at_again(draw: Stream, number: int, day: int, zones: list[tuple[Treatment, Result]]) -> list[_Contact]:
    """Weekly while not healed; around day 60 while red at a month, and past day 90 while red then."""
    again: list[_Contact] = []
    if number == 0:
        unhealed = max(result.healing_days for _, result in zones)
        last = day
        for target in (14, 21, 28):
            if unhealed <= last or not draw.chance(0.88):
                break
            last = target + draw.pick({-1: 0.2, 0: 0.6, 1: 0.2})
            again.append(_Contact(last, "in_person", True))
    redness = max(result.redness_days for _, result in zones)
    if number == 1 and redness > day and draw.chance(0.8):
        later = max(day + 7, draw.whole(55, 66))
        again.append(_Contact(later, _manner_of_a_look(draw), True))
        if redness > later and draw.chance(0.85):
            again.append(_Contact(draw.whole(91, 98), _manner_of_a_look(draw), True))
    return again


def _in_trouble(zones: list[tuple[Treatment, Result]], day: int) -> bool:
    """Whether the patient has had a reason to come back by this day."""
    return any(
        any(onset <= day for onset in result.onset.values())
        or (result.healing_days > 14.0 and day >= 14)
        or (result.redness_days > 60.0 and day >= 60)
        for _, result in zones
    )


def _by_themselves(draw: Stream, zones: list[tuple[Treatment, Result]]) -> list[_Contact]:
    contacts = []
    for _, result in zones:
        for name, onset in result.onset.items():
            wait, comes = draw.whole(1, 9), draw.chance(scenario.COMES_BY_ITSELF[name])
            manner = draw.pick({"in_person": 0.6, "photo": 0.2, "video": 0.1, "phone": 0.1})
            if comes:
                contacts.append(_Contact(onset + wait, manner, False))
    if draw.chance(0.025):
        contacts.append(_Contact(draw.whole(1, 20), draw.pick({"phone": 0.6, "photo": 0.4}), False))
    return contacts


def _manner(draw: Stream, number: int) -> str:
    in_person = (0.76, 0.68, 0.66, 0.58, 0.58)[number]
    rest = 1.0 - in_person
    return draw.pick({"in_person": in_person, "photo": 0.42 * rest, "video": 0.33 * rest, "phone": 0.25 * rest})


def _manner_of_a_look(draw: Stream) -> str:
    return draw.pick({"in_person": 0.5, "photo": 0.35, "video": 0.15})


def _discharge(zones: list[tuple[Treatment, Result]], events: frozenset[str]) -> Visit:
    answers = {name: "Y" if name in events else "N" for name in AT_DISCHARGE}
    return Visit(0, "in_person", True, False, {k: dict(answers) for k in range(len(zones))})


def _answers(
    contact: _Contact, zone: int, result: Result, told: set[tuple[int, str]], *, unanswered: bool, infection: bool
) -> dict[str, str]:
    """What this contact found on one zone. What it could not tell, or did not ask, stays empty.

    A complication is answered yes while it lasts, and once if it came and went since the last contact.
    """
    day, manner = contact.day, contact.contact
    answers = {"healed": _yes(result.healing_days <= day)}
    if manner in OUTCOME["prolonged_redness"].contacts:
        answers["redness"] = _yes(result.redness_days > day)
    answers["unplanned_contact"] = _yes(not contact.scheduled)
    if not unanswered:
        for name in scenario.RISKS:
            if manner not in OUTCOME[name].contacts:
                continue
            onset = result.onset.get(name)
            present = onset is not None and onset <= day
            if onset is not None and (zone, name) in told:
                present = present and day <= onset + result.lasts[name]
            answers[name] = _yes(present)
            if present:
                told.add((zone, name))
                answers[f"{name}_severity"] = str(result.severity[name])
    if day <= 40 or result.redness_days > day:
        answers["infection_assessed"] = _yes(infection and manner != "phone")
    return answers


def _yes(value: bool) -> str:
    return "Y" if value else "N"
