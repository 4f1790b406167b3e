"""Sensitivity: other readings are what they say, a turned verdict is said, hard cases do not break."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest
from small_clinic import small_clinic

from outcomes.estimates.estimate import Estimate
from outcomes.protocol import Protocol
from outcomes.questions.criteria_units import with_contacts
from outcomes.questions.sensitivity import _complete, _first_session, _planned_only, sensitivity
from outcomes.records.scope import Scope


@pytest.fixture(scope="module")
def finding(clinic, scope, protocol):
    return sensitivity(clinic, scope, protocol)


def test_the_association_that_is_true_survives_and_none_is_made(finding, truth, protocol):
    """Density is tied to hyperpigmentation in every reading; energy and density never to acne or milia."""
    assert any("Associated in every reading" in s and "density and hyperpigmentation" in s for s in finding.says)
    table = finding.exhibits[0]
    for row, group in zip(table.rows, table.groups, strict=True):
        if group == "Acne or milia" and row[0] in ("10 mJ more energy", "5 points more density"):
            assert "associated" not in row[-1]


def test_the_true_odds_ratio_lies_inside_the_readings_that_ask_for_it(clinic, scope, protocol, truth):
    """Planned contacts alone are a selection and estimate something else; three readings of one draw, intervals of 99 %."""
    made = truth["settings"]["hyperpigmentation"]["density_pct"]["odds_ratio"]
    finding = sensitivity(clinic, scope, replace(protocol, level=0.99, modelled=("hyperpigmentation",)))
    found = {a.term.rsplit(", ", 1)[1]: a for a in finding.estimates if "5 points more density" in a.term}
    assert set(found) == {"main", "planned visits", "first session", "complete"}
    for name in ("main", "first session", "complete"):
        assert found[name].low < made < found[name].high, name


def test_planned_contacts_alone_leave_fewer_zones_known(clinic, scope, protocol):
    outcome = protocol.outcome("hyperpigmentation")
    planned = _planned_only(clinic, scope, outcome, protocol)
    everything = with_contacts(clinic, [True] * len(clinic.visits))
    assert len(everything.visits) == len(clinic.visits)
    for column in ("hyperpigmentation", "hyperpigmentation_day", "last_seen_day"):
        assert everything.zones[column].equals(clinic.zones[column])
    assert 0 < len(planned) < len(clinic.zones)


def test_first_sessions_are_first_and_complete_ones_complete(clinic, scope, protocol):
    outcome = protocol.outcome("acne_milia")
    first = _first_session(clinic, scope, outcome, protocol).frame
    earliest = clinic.zones.groupby("patient_id")["treated_on"].min()
    assert (first["treated_on"] == first["patient_id"].map(earliest)).all()
    complete = _complete(clinic, scope, outcome, protocol).frame
    assert not (complete["skin_group"] == "not recorded").any()
    assert complete["age_years"].notna().all()


def test_few_records_and_no_visits_are_said(tmp_path):
    finding = sensitivity(small_clinic(tmp_path, [{}, {}]), Scope.quarter("2026Q3", date(2026, 10, 14)), Protocol())
    assert not any(isinstance(a, Estimate) for a in finding.estimates)
    assert finding.says
