"""Comfort and anaesthesia: sessions counted once, doses by hand, the invented clinic's way of feeling pain found."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest
from small_clinic import small_clinic

from outcomes.estimates.estimate import Estimate, NotEstimable
from outcomes.estimates.proportion import proportion
from outcomes.protocol import Protocol
from outcomes.questions.comfort import comfort
from outcomes.questions.comfort_sessions import sessions_with_care
from outcomes.records.scope import Scope

SCOPE = Scope.quarter("2026Q3", date(2026, 10, 14))


def _session(number, **more):
    return {"session_id": f"S{number}", "topical_agent": "lidocaine", "blocks": "none", "pain_score": "4", **more}


def test_a_dose_belongs_to_the_session_and_counts_once_however_many_zones(tmp_path):
    zones = [{"session_id": "S1", "patient_id": "P1", "zone": zone} for zone in ("cheek", "chin", "upper_lip")]
    injected = {"blocks": "mental", "injected_pct": "2", "injected_ml": "6", "weight_kg": "60", "with_adrenaline": "no"}
    cases = small_clinic(tmp_path, zones, [_session(1, **injected, injected_at="10:00", laser_start="10:20")])
    found = sessions_with_care(cases, SCOPE.start, SCOPE.end, Protocol().anaesthesia)
    assert len(found) == 1
    row = found.iloc[0]
    # 2 % is 20 mg in a millilitre: 6 mL hold 120 mg, 2 mg/kg at 60 kg; the limit is 4.5 mg/kg, 270 mg, under the cap of 300
    assert (row["injected_mg"], row["injected_mg_kg"], row["limit_mg"]) == pytest.approx((120.0, 2.0, 270.0))
    assert row["minutes_to_laser"] == 20.0
    assert row["technique"] == "topical and injected"
    assert row["zones"] == 3


@pytest.mark.parametrize(
    ("weight", "adrenaline", "expected"),
    [("60", "no", 270.0), ("60", "yes", 420.0), ("90", "no", 300.0), ("90", "yes", 500.0), ("60", "", 270.0)],
)
def test_the_limit_is_the_lower_of_weight_and_cap(tmp_path, weight, adrenaline, expected):
    more = {
        "blocks": "mental",
        "injected_pct": "1",
        "injected_ml": "5",
        "weight_kg": weight,
        "with_adrenaline": adrenaline,
    }
    cases = small_clinic(tmp_path, [{}], [_session(1, **more)])
    found = sessions_with_care(cases, SCOPE.start, SCOPE.end, Protocol().anaesthesia)
    assert found["limit_mg"].iloc[0] == pytest.approx(expected)


@pytest.mark.parametrize(
    ("millilitres", "weight", "adrenaline", "expected"),
    [
        ("12", "60", "", "within"),  # 240 mg, under 270 whatever else
        ("15", "60", "", "cannot be told"),  # 300 mg, over 270 without adrenaline, under 420 with it
        ("22", "60", "", "above"),  # 440 mg, over both
        ("15", "60", "no", "above"),
        ("15", "60", "yes", "within"),
        ("6", "", "no", "cannot be told"),
        ("16", "", "no", "above"),  # 320 mg, over the cap of 300 at any weight
        ("16", "", "", "cannot be told"),
        ("26", "", "", "above"),  # 520 mg, over the cap of 500 too
    ],
)
def test_a_dose_is_told_only_where_what_is_not_recorded_could_not_turn_it(
    tmp_path, millilitres, weight, adrenaline, expected
):
    """By hand from 4.5 mg/kg up to 300 mg, with adrenaline 7 mg/kg up to 500 mg; 2 % is 20 mg in a millilitre."""
    more = {
        "blocks": "mental",
        "injected_pct": "2",
        "injected_ml": millilitres,
        "weight_kg": weight,
        "with_adrenaline": adrenaline,
    }
    cases = small_clinic(tmp_path, [{}], [_session(1, **more)])
    row = sessions_with_care(cases, SCOPE.start, SCOPE.end, Protocol().anaesthesia).iloc[0]
    told = "within" if row["dose_within"] else "above" if row["dose_above"] else "cannot be told"
    assert told == expected


def test_without_weight_a_dose_cannot_be_told_and_is_counted_apart(tmp_path):
    more = {"blocks": "mental", "injected_pct": "2", "injected_ml": "6", "with_adrenaline": "no"}
    sessions = [
        _session(1, **more, weight_kg=""),
        _session(2, **more, weight_kg="70"),
        _session(3, **more, weight_kg="20"),
    ]
    cases = small_clinic(tmp_path, [{}, {}, {}], sessions)
    finding = comfort(cases, SCOPE, Protocol())
    table = next(e for e in finding.exhibits if e.title.startswith("Anaesthesia against"))
    dose = next(row for row in table.rows if row.label.startswith("Injected dose"))
    # 120 mg: within 315 mg at 70 kg, above 90 mg at 20 kg, not to be told without a weight
    assert dose.cells[:2] == ("1 / 2", "1")


def test_the_way_pain_was_drawn_is_found(clinic, scope, protocol):
    """Generator: an injection takes 1 point, a topical agent 1.3 (0.5 less with, 0.8 more without), 10 mJ adds half a point.

    Scores are cut at 0 and 10, which draws effects a little towards nothing. Seven intervals at once: of 99 %.
    """
    finding = comfort(clinic, scope, replace(protocol, level=0.99))
    for words, truth in (
        ("sessions with an injection or block", -1.0),
        ("sessions with a topical agent", -1.3),
        ("10 mJ more energy in the strongest zone", 0.5),
        ("sessions with sedation", 0.0),
        ("one zone more in the session", 0.0),
        ("sessions with a zone of the lids", 0.0),
        ("sessions with a zone off the face", 0.0),
    ):
        answer = finding.estimate(f"pain: {words}")
        assert answer.low is not None
        assert answer.high is not None
        assert answer.low <= truth <= answer.high, words


def test_shares_are_those_of_the_recorded_sessions(clinic, scope, protocol):
    finding = comfort(clinic, scope, protocol)
    span = clinic.during(scope.start, scope.end)
    sessions = clinic.sessions.loc[clinic.sessions["session_id"].isin(span.zones["session_id"])]
    contact = sessions.loc[
        sessions["topical_agent"].notna() & (sessions["topical_agent"] != "none"), "topical_min"
    ].dropna()
    answer = finding.estimate("topical agent left on long enough, 2026Q3")
    assert answer.n == len(contact)
    assert answer.events == int((contact >= 45).sum())
    # drawn as 90 % long enough; told from the five quarters together
    before = finding.estimate("topical agent left on long enough, 2025Q3–2026Q2")
    together = proportion(answer.events + before.events, answer.n + before.n, level=0.99)
    assert together.low < 0.9 < together.high


def test_the_share_of_the_first_sentence_is_written_out(clinic, scope, protocol):
    finding = comfort(clinic, scope, protocol)
    answer = finding.estimate("pain 5 or less, 2026Q3")
    span = clinic.during(scope.start, scope.end)
    scores = clinic.sessions.loc[clinic.sessions["session_id"].isin(span.zones["session_id"]), "pain_score"].dropna()
    assert (answer.events, answer.n) == (int((scores <= 5).sum()), len(scores))
    assert f"{answer.events} of {answer.n} scored sessions" in finding.says[0]


def test_nothing_recorded_is_said_and_does_not_break(tmp_path):
    finding = comfort(small_clinic(tmp_path, [{}, {}]), SCOPE, Protocol())
    assert "nothing can be said" in finding.says[0]
    assert all(isinstance(answer, NotEstimable) for answer in finding.estimates)


def test_blank_sessions_are_said_and_do_not_break(tmp_path):
    cases = small_clinic(tmp_path, [{}, {}], [{"session_id": "S1"}, {"session_id": "S2"}])
    finding = comfort(cases, SCOPE, Protocol())
    assert not any(isinstance(answer, Estimate) for answer in finding.estimates)


def test_a_technique_of_few_sessions_is_held_back_from_a_committee(tmp_path):
    zones = [{} for _ in range(12)]
    sessions = [_session(i + 1, **({"blocks": "mental"} if i < 2 else {})) for i in range(12)]
    cases = small_clinic(tmp_path, zones, sessions)
    for audience, shown in (("committee", False), ("clinic", True)):
        finding = comfort(cases, SCOPE, replace(Protocol(), audience=audience))
        row = next(r for r in finding.exhibits[0].rows if r.label == "Topical and injected")
        assert (row.cells[0] == "2") == shown
