"""The whole clinic: patients, their sessions one after the other, what happened and what was seen."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

from outcomes.records.synthetic import scenario
from outcomes.records.synthetic.care import Care, care_for
from outcomes.records.synthetic.draws import Stream
from outcomes.records.synthetic.follow_up import Visit, visits
from outcomes.records.synthetic.grading import Grades, grades
from outcomes.records.synthetic.outcomes_model import Result, result, tendencies
from outcomes.records.synthetic.people import Patient, patient, working_day
from outcomes.records.synthetic.treatments import Treatment, side_of, treat, zones_for


@dataclass(frozen=True, slots=True)
class Session:
    """One session of one patient, with its zones, what truly happened to them, and its follow-up.

    Attributes
    ----------
    number : int
        1, 2 … within the patient.
    """

    patient: Patient
    number: int
    day: date
    age: float
    treatments: tuple[Treatment, ...]
    results: tuple[Result, ...]
    care: Care
    visits: tuple[Visit, ...]
    grades: tuple[Grades, ...]


@dataclass(frozen=True, slots=True)
class Clinic:
    """Every session of the invented clinic, by date and then patient.

    Attributes
    ----------
    seed : int
    sessions : tuple of Session
    """

    seed: int
    sessions: tuple[Session, ...]


def simulate(seed: int = scenario.SEED, patients: int = scenario.PATIENTS) -> Clinic:
    """Live through the whole scenario once: the same seed gives the same clinic."""
    sessions = [s for number in range(1, patients + 1) for s in _story(seed, number, patients)]
    sessions.sort(key=lambda s: (s.day, s.patient.number))
    return Clinic(seed, tuple(sessions))


@dataclass(frozen=True, slots=True)
class _Treated:
    day: date
    age: float
    treatments: list[Treatment]
    results: list[Result]
    care: Care


def _story(seed: int, number: int, of: int) -> list[Session]:
    person = patient(seed, number, of)
    own = tendencies(seed, number)
    draw = Stream(seed, number, 3)
    at_site = {name: 0.6 if name == "M1" else 0.4 for name, d in scenario.DEVICES.items()
             if d[0] == person.practitioner.site}  # fmt: skip
    treated: list[_Treated] = []
    courses: dict[tuple[str, str], int] = {}
    day, trouble = person.first_day, False
    places = _places(draw, person)
    while day <= scenario.LAST_DAY and len(treated) < 3:
        age = person.age + (day - person.first_day).days / 365.25
        device = draw.pick(at_site)
        done: list[Treatment] = []
        results: list[Result] = []
        for zone, side in places:
            courses[zone, side] = courses.get((zone, side), 0) + 1
            course = courses[zone, side]
            done.append(treat(draw, person, day, device, zone, side, course, gentler=trouble))
            results.append(result(draw, person, own, done[-1], age, day))
        treated.append(_Treated(day, age, done, results, care_for(draw, person, day, done)))
        trouble = any(r.onset or r.healing_days > 14 for r in results)
        ready = max(max(r.redness_days, r.healing_days) for r in results)
        day = working_day(day + timedelta(days=max(draw.whole(95, 230), int(ready) + 2)))
        if not draw.chance(0.2 if trouble else 0.36 if len(treated) == 1 else 0.5):
            break
        if draw.chance(0.3):
            places = _places(draw, person)
    return [_followed(seed, number, person, treated, k) for k in range(len(treated))]


def _places(draw: Stream, person: Patient) -> list[tuple[str, str]]:
    return [(zone, side_of(draw, zone, person.concern)) for zone in zones_for(draw, person.concern)]


def _followed(seed: int, number: int, person: Patient, treated: list[_Treated], k: int) -> Session:
    this = treated[k]
    next_day, retreated = None, frozenset[int]()
    if k + 1 < len(treated):
        later = treated[k + 1]
        next_day = (later.day - this.day).days
        again = {(t.zone, t.side) for t in later.treatments}
        retreated = frozenset(i for i, t in enumerate(this.treatments) if (t.zone, t.side) in again)
    seen = visits(
        Stream(seed, number, 4, k),
        person,
        this.age,
        list(zip(this.treatments, this.results, strict=True)),
        this.care.events,
        next_day,
        retreated,
        (scenario.CUT_OFF - this.day).days,
    )
    grading = Stream(seed, number, 5, k)
    return Session(
        patient=person,
        number=k + 1,
        day=this.day,
        age=this.age,
        treatments=tuple(this.treatments),
        results=tuple(this.results),
        care=this.care,
        visits=tuple(seen),
        grades=tuple(grades(grading, outcome, seen, zone) for zone, outcome in enumerate(this.results)),
    )
