"""Sensitivity: other readings are what they say, a turned verdict is said, tipping points by hand, hard cases."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd
import pytest
from small_clinic import small_clinic

from outcomes.estimates.estimate import Estimate, NotEstimable
from outcomes.findings import Finding
from outcomes.protocol import SETTINGS, Protocol
from outcomes.questions.criteria_units import with_contacts
from outcomes.questions.outcome_risk import OutcomeRisk
from outcomes.questions.population import everyone
from outcomes.questions.sensitivity import TURNED, sensitivity, turned, with_sensitivity
from outcomes.questions.sensitivity_readings import (
    FIRST,
    READINGS,
    complete_only,
    first_sessions,
    planned_only,
    read_again,
)
from outcomes.questions.sensitivity_tipping import Tipping, times_as_high
from outcomes.questions.sensitivity_weighted import chance_of_being_seen, telling
from outcomes.questions.settings_model import settings_candidates
from outcomes.records.scope import Scope
from outcomes.records.vocabulary import OUTCOME


@pytest.fixture(scope="module")
def finding(clinic, scope, protocol):
    return sensitivity(clinic, scope, protocol)


def test_the_association_that_is_true_survives_and_none_is_made(finding):
    """Density is tied to hyperpigmentation in every reading; energy and density never to acne or milia."""
    assert any("Associated in every reading" in s and "density and hyperpigmentation" in s for s in finding.says)
    table = finding.exhibits[0]
    assert len(table.rows) == 12
    for row, group in zip(table.rows, table.groups, strict=True):
        if group == "Acne or milia" and row[0] in ("10 mJ more energy", "5 points more density"):
            assert "associated" not in row[-1]


def test_true_odds_ratios_lie_inside_nearly_every_reading(finding, truth, protocol):
    """Readings share most records, so that misses come together: a main interval that ends near the truth misses in several.

    Planned visits alone are not meant to find it: events found between them are taken away.
    """
    inside = []
    for name in protocol.modelled:
        for s in SETTINGS:
            made = truth["settings"][name][s.column]["odds_ratio"]
            for reading in ("main", *READINGS):
                answer = finding.estimate(f"{OUTCOME[name].label}: {s.step_label}, {reading}")
                inside.append(answer.low < made < answer.high)
                if (name, s.column) == ("hyperpigmentation", "density_pct"):
                    assert answer.low > 1
    assert len(inside) == 54
    assert sum(inside) >= 49


def test_every_number_has_a_name_of_its_own(finding):
    terms = [a.term for a in finding.estimates]
    assert len(terms) == len(set(terms))


def test_planned_contacts_alone_leave_fewer_zones_known(clinic, scope, protocol):
    outcome = protocol.outcome("hyperpigmentation")
    everything = with_contacts(clinic, np.ones(len(clinic.visits), dtype=bool))
    for column in ("hyperpigmentation", "hyperpigmentation_day", "last_seen_day"):
        assert everything.zones[column].equals(clinic.zones[column])
    planned = planned_only(clinic)
    assert planned.visits["scheduled"].all()
    assert len(planned.zones) == len(clinic.zones)
    known = [
        int(settings_candidates(c, scope.end, scope.as_of, outcome, protocol).frame["hyperpigmentation"].notna().sum())
        for c in (clinic, planned)
    ]
    assert 0 < known[1] < known[0]


def test_first_sessions_are_first_and_complete_ones_complete(clinic):
    earliest = clinic.zones.groupby("patient_id")["treated_on"].min()
    first = first_sessions(everyone(clinic), clinic).frame
    assert (first["treated_on"] == first["patient_id"].map(earliest)).all()
    assert first["patient_id"].nunique() == clinic.patients
    complete = complete_only(everyone(clinic)).frame
    assert not (complete["skin_group"] == "not recorded").any()
    assert complete["age_years"].notna().all()


def test_chances_of_being_seen_add_up_to_those_seen(clinic, scope, protocol):
    """A logistic model with its intercept corrected predicts as many seen as were."""
    frame = settings_candidates(clinic, scope.end, scope.as_of, protocol.outcome("acne_milia"), protocol).frame
    seen = frame["improvement_grade"].notna().to_numpy(dtype=bool)
    at_risk = np.arange(len(frame)) % 10 != 0
    chance = chance_of_being_seen(frame, seen, at_risk)
    assert chance[at_risk].sum() == pytest.approx(seen[at_risk].sum(), rel=1e-8)
    assert (chance[~at_risk] == 1).all()
    assert (chance_of_being_seen(frame, np.ones(len(frame), dtype=bool), at_risk) == 1).all()


def test_levels_that_say_nothing_drop_out_until_none_is_left():
    frame = pd.DataFrame({"skin": ["I", "I", "II", "II", "III"], "age": ["a", "b", "a", "a", "a"]})
    event = np.array([True, False, True, False, False])
    # skin III holds no event; age b holds none either, and without it skin I holds nothing but an event
    assert telling(frame, event, ["skin", "age"]).tolist() == [False, False, True, True, False]


def _risk(events, unknown, n, value, low, high):
    whole = Estimate("r", value, low, high, "m", n, unit="proportion")
    weighted = type("Weighted", (), {"risk": whole})()
    return OutcomeRisk(OUTCOME["acne_milia"], "2026Q1", n, n, events, n - unknown, weighted)


def test_tipping_points_by_hand():
    """2 events recorded among 100, risk 3 %: one more is taken to be among 40 not known.

    A target of 5 % is 5 events, so 3 among the 40: 3 times. The upper limit of 6 %, twice the risk, reaches the target where
    the risk is 2.5 %: 0.5 times. The lower of 1 % does where it is 15 %: 13 times, 13 of the 40.
    """
    times = times_as_high(_risk(2, 40, 100, 0.03, 0.01, 0.06), 0.05, "t")
    assert (times.value, times.low, times.high) == pytest.approx((3.0, 0.5, 13.0))
    open_above = times_as_high(_risk(2, 10, 100, 0.03, 0.01, 0.06), 0.05, "t")
    assert open_above.high is None  # 13 of 10 cannot be


@pytest.mark.parametrize(
    ("risk", "target", "said"),
    [
        (_risk(2, 0, 100, 0.02, 0.01, 0.06), 0.05, "of every zone is known"),
        (_risk(6, 40, 100, 0.07, 0.04, 0.12), 0.05, "pass the target"),
        (_risk(1, 2, 100, 0.0102, 0.001, 0.05), 0.05, "if all 2 zones not known had it"),
        (_risk(0, 40, 100, 0.0, 0.0, 0.05), 0.05, "reached with 5 of them"),
    ],
)
def test_tipping_points_that_cannot_be_said(risk, target, said):
    found = times_as_high(risk, target, "t")
    assert isinstance(found, NotEstimable)
    assert said in found.reason


@pytest.mark.parametrize(
    ("verdict", "low", "high", "words"),
    [
        ("met", 2.0, 9.0, "met while it is up to 2.00 times as high"),
        ("not met", 0.1, 0.6, "not met unless it is under 0.60 times as high"),
        ("not shown", 0.5, 13.0, "met under 0.50 times, not met from 13.0 times on"),
        ("not shown", None, 13.0, "not met from 13.0 times on"),
        ("not shown", 0.5, None, "met under 0.50 times, never not met"),
    ],
)
def test_what_would_turn_a_verdict_is_said(verdict, low, high, words):
    value = 0.55 if verdict == "not met" else 3.0
    times = Estimate("t", value, low, high, "m", 100, unit="risk ratio")
    assert Tipping(Protocol().criteria[-1], "2026Q1", 100, 40, times, verdict, times).words == words


def test_a_verdict_that_turns_is_carried_to_where_it_was_said():
    density = next(s for s in SETTINGS if s.column == "density_pct")
    term = f"hyperpigmentation: {density.step_label}, {FIRST}"
    own = Estimate(term, 1.2, 0.9, 1.6, "m", 100, unit="odds ratio", note=f"{TURNED}not shown")
    there = Finding(
        "settings_and_risk", "Settings", "asks",
        (f"Zones treated with {density.step_label} had more hyperpigmentation: odds ratio 1.6.", "Not shown: others."),
        headlines=(("associated", "Density and hyperpigmentation: odds ratio 1.6."), ("not shown", "Others.")),
    )  # fmt: skip
    here = Finding("sensitivity", "Sensitivity", "asks", (), estimates=(own,))
    carried, same = with_sensitivity((there, here))
    added = f" Not shown when {READINGS[FIRST]}."
    assert carried.headlines[0] == ("associated", f"Density and hyperpigmentation: odds ratio 1.6.{added}")
    assert carried.headlines[1] == ("not shown", "Others.")
    assert carried.says == (there.says[0] + added, there.says[1])
    assert same == here
    assert with_sensitivity((there,)) == (there,)


def test_turned_verdicts_are_found(clinic, scope, protocol):
    """Where a reading's interval of the associated setting is made to hold 1, it is found, and alone."""
    readings = read_again(clinic, scope, protocol)
    assert turned(readings) == []
    first = readings.others[FIRST][0]
    wide = replace(first.effects["density_pct"], low=0.9, p_adjusted=0.4)
    changed = replace(first, effects={**first.effects, "density_pct": wide})
    others = {**readings.others, FIRST: (changed, *readings.others[FIRST][1:])}
    found = turned(replace(readings, others=others))
    assert [(t.what, t.before, t.after, t.reading) for t in found] == [
        ("density and hyperpigmentation", "associated", "not shown", FIRST)
    ]


def test_few_records_and_no_visits_are_said(tmp_path):
    finding = sensitivity(small_clinic(tmp_path, [{}, {}]), Scope.quarter("2026Q3", date(2026, 10, 14)), Protocol())
    assert not any(isinstance(a, Estimate) and a.unit == "odds ratio" for a in finding.estimates)
    assert finding.says
    assert all("nan" not in cell for grid in finding.exhibits for row in grid.rows for cell in row)
