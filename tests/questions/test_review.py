"""Which records are listed for review, by hand; and that a report holds none of them."""

from __future__ import annotations

from datetime import date

from small_clinic import small_clinic

from outcomes.protocol import Protocol
from outcomes.questions.criteria_judge import judge_all
from outcomes.questions.review import review_frame, review_rows
from outcomes.records.scope import Scope

SCOPE = Scope.quarter("2026Q3", date(2026, 10, 14))


def _rows(cases):
    judged = judge_all(cases, SCOPE, Protocol())
    return review_rows(judged, cases, SCOPE, Protocol())


def test_severe_events_failures_and_overdue_follow_up(tmp_path):
    visits = [
        {"record_id": "R1", "day": "20", "contact": "in_person", "scarring": "yes", "scarring_severity": "4"},
        {"record_id": "R2", "day": "4", "contact": "in_person"},
        {"record_id": "R3", "day": "9", "contact": "phone"},
        {"record_id": "R4", "day": "9", "contact": "photo"},
    ]
    sessions = [{"session_id": f"S{i}", "photos_before": "no" if i == 2 else "yes"} for i in range(1, 6)]
    zones = [{}, {}, {}, {}, {"treated_on": "2026-09-20"}]
    rows = _rows(small_clinic(tmp_path, zones, sessions, visits))
    listed = [(row.record_id, row.why.split(":")[0], row.since.isoformat()) for row in rows]
    assert listed[0] == ("R1", "event of severity 3 or more", "2026-08-23")  # day 20 after 3 August
    why = "criterion not met by this session: Baseline photographs taken"
    assert [(r.record_id, r.since.isoformat()) for r in rows if r.why == why] == [("R2", "2026-08-03")]
    # R2 was seen too early, R3 by telephone; R5 was treated 24 days before the cut-off
    overdue = [(record, since) for record, reason, since in listed if reason == "follow-up overdue"]
    assert overdue == [("R2", "2026-08-08"), ("R3", "2026-08-08")]


def test_the_failures_are_as_many_as_the_finding_says(clinic, scope, protocol):
    judged = judge_all(clinic, scope, protocol)
    rows = review_rows(judged, clinic, scope, protocol)
    for now in (j.now for j in judged):
        if now.criterion.rule == "census":
            listed = sum(row.why.endswith(f": {now.criterion.title}") for row in rows)
            # two severe events of one zone found on one day are one row
            assert listed == now.failures or (now.criterion.measure == "severe_reviewed" and listed <= now.failures)
    frame = review_frame(rows)
    assert list(frame.columns) == ["record_id", "why", "since"]
    assert set(frame["record_id"]) <= set(clinic.zones["record_id"])


def test_an_export_without_follow_up_lists_nothing_as_overdue(tmp_path):
    assert _rows(small_clinic(tmp_path, [{}, {}])) == ()
