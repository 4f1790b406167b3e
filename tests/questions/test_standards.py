"""Standards: verdicts by their own rule, the invented clinic's true shares, exact error rates of the interval rule."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest
from scipy import stats
from small_clinic import small_clinic

from outcomes.estimates.estimate import Estimate, NotEstimable
from outcomes.estimates.proportion import clustered_proportion, proportion
from outcomes.protocol import Criterion, Protocol
from outcomes.questions.criteria_defined import criteria_defined
from outcomes.questions.criteria_judge import judge_all, verdict_by_count, verdict_by_interval
from outcomes.questions.standards import standards, standards_finding
from outcomes.records.scope import Scope


@pytest.fixture(scope="module")
def judged(clinic, scope, protocol):
    return judge_all(clinic, scope, protocol)


@pytest.fixture(scope="module")
def finding(judged, scope, protocol):
    return standards_finding(judged, scope, protocol)


def _by_id(judged):
    return {j.now.criterion.id: j for j in judged}


def _criterion(direction, target):
    return Criterion("x", "X", "at_least", target, direction=direction, rule="interval")


@pytest.mark.parametrize(("direction", "target"), [("at least", 0.8), ("at most", 0.05), ("at least", 0.95)])
@pytest.mark.parametrize("n", [30, 97, 250])
def test_met_and_not_met_are_each_wrong_at_most_one_time_in_forty(direction, target, n):
    """All counts of n independent patients, with their binomial chances: no simulation.

    At the target itself the criterion is met, so that "not met" is the error; just on the wrong side of it, "met" is.
    """
    criterion = _criterion(direction, target)
    verdicts = [
        verdict_by_interval(criterion, clustered_proportion([1] * k + [0] * (n - k), np.arange(n)))
        for k in range(n + 1)
    ]
    beyond = target - 1e-9 if direction == "at least" else target + 1e-9
    counts = np.arange(n + 1)
    said_not_met = float(stats.binom.pmf(counts, n, target)[[v == "not met" for v in verdicts]].sum())
    said_met = float(stats.binom.pmf(counts, n, beyond)[[v == "met" for v in verdicts]].sum())
    assert said_not_met <= 0.025
    assert said_met <= 0.025
    # and far on either side each word is said
    assert verdicts[0] != verdicts[n]
    assert {verdicts[0], verdicts[n]} <= {"met", "not met", "not shown"}


@pytest.mark.parametrize(
    ("direction", "target", "fitting", "counted", "verdict"),
    [
        ("at least", 1.0, 20, 20, "met"),
        ("at least", 1.0, 19, 20, "not met"),
        ("at least", 0.95, 19, 20, "met"),
        ("at least", 0.95, 18, 20, "not met"),
        ("at most", 0.1, 2, 20, "met"),
        ("at most", 0.1, 3, 20, "not met"),
        ("at least", 1.0, 0, 0, "cannot say"),
    ],
)
def test_a_census_counts(direction, target, fitting, counted, verdict):
    assert verdict_by_count(_criterion(direction, target), fitting, counted) == verdict


def test_an_interval_that_touches_the_target_from_the_right_side_meets_it():
    touching = Estimate("x", 0.9, 0.8, 0.95, "m", 100, unit="proportion")
    assert verdict_by_interval(_criterion("at least", 0.8), touching) == "met"
    assert verdict_by_interval(_criterion("at most", 0.8), touching) == "not shown"
    assert verdict_by_interval(_criterion("at most", 0.95), touching) == "met"
    assert verdict_by_interval(_criterion("at least", 0.95), touching) == "not shown"
    assert verdict_by_interval(_criterion("at least", 0.5), NotEstimable("x", "no cases", n=0)) == "cannot say"


def test_the_true_shares_of_the_invented_clinic_lie_inside_their_intervals(judged):
    """Shares that the scenario draws with (outcomes/records/synthetic/care.py, treatments.py)."""
    true = {
        "consent_before_treatment": 0.98,  # none in 0.4 %, the day itself in 1.6 %
        "baseline_photographs": 0.985,
        "settings_complete": 1.0,
        "eye_shields": 0.97,
        "antiviral_cover": 0.95,
    }
    found = _by_id(judged)
    for name, share in true.items():
        for judgement in (found[name].now, found[name].before):
            assert judgement.answer.low <= share <= judgement.answer.high, (name, judgement.quarter)


def test_the_true_risks_of_pigment_change_lie_inside_the_intervals(judged, clinic, truth):
    """The two skin groups together are the quarter's zones with a recorded type: their expected risk is the truth."""
    found = _by_id(judged)
    light, dark = found["pigment_light_skin"].now, found["pigment_dark_skin"].now
    assert light.quarter == dark.quarter == "2025Q4"
    quarter = truth["risks"]["hyperpigmentation"]["by_quarter"]["2025Q4"]
    true = quarter["expected"] / quarter["zones"]
    n = light.applies + dark.applies
    low, high = (
        (light.applies * getattr(light.answer, end) + dark.applies * getattr(dark.answer, end)) / n
        for end in ("low", "high")
    )
    assert low <= true <= high
    assert dark.answer.value > light.answer.value


def test_each_criterion_is_judged_on_the_newest_quarter_that_has_had_its_time(judged):
    quarters = {j.now.criterion.id: (j.now.quarter, j.before.quarter) for j in judged}
    assert quarters["pain"] == ("2026Q3", "2026Q2")  # known on the day
    assert quarters["early_review"] == ("2026Q3", "2026Q2")  # 10 days after 30 September is before 14 October
    assert quarters["face_healed"] == ("2026Q2", "2026Q1")  # 14 days and 30 for a late visit
    assert quarters["late_review"] == ("2026Q1", "2025Q4")
    assert quarters["pigment_dark_skin"] == ("2025Q4", "2025Q3")


def test_the_quarter_before_is_what_an_audit_of_that_quarter_said(judged, clinic, protocol):
    """An audit a quarter earlier, with the contacts made by then, gives the verdict and share that now stand beside."""
    earlier = Scope.quarter("2026Q2", clinic.last_date.replace(month=7))
    # 2026Q2 ended on 30 June; an audit on 14 July is as far from its end as 14 October is from 30 September
    again = _by_id(judge_all(clinic, earlier, protocol))
    for name in ("pain", "early_review", "consent_before_treatment", "injected_dose"):
        now, before = again[name].now, _by_id(judged)[name].before
        assert now.quarter == before.quarter == "2026Q2"
        assert now.answer.value == before.answer.value
        assert now.verdict == before.verdict


def test_sessions_are_counted_once(judged, clinic, scope):
    pain = _by_id(judged)["pain"].now
    period = clinic.during(scope.start, scope.end)
    assert pain.applies == period.zones["session_id"].nunique() < len(period)


def test_every_number_is_an_estimate_of_its_own(finding, judged):
    terms = [answer.term for answer in finding.estimates]
    assert len(terms) == len(set(terms)) == 3 * len(judged)
    verdicts = {row.label: row.verdict for row in finding.exhibits[0].rows}
    assert verdicts == {j.now.criterion.title: j.now.verdict for j in judged}
    assert set(verdicts.values()) <= {"met", "not met", "not shown", "cannot say"}


def test_no_record_is_named(finding, clinic):
    text = " ".join(
        [
            *finding.says,
            *finding.exclusions,
            *finding.requests,
            *(t for _, t in finding.headlines),
            str(finding.exhibits),
        ]
    )
    assert not any(record in text for record in clinic.zones["record_id"])


def test_failures_are_said_with_their_number(finding, judged):
    consent = _by_id(judged)["consent_before_treatment"].now
    assert f"{consent.counted - consent.fitting} failures in {consent.counted} sessions" in finding.says[1]


def test_one_zone_and_nothing_else_is_answered_honestly(tmp_path):
    cases = small_clinic(tmp_path, [{}])
    finding = standards(cases, Scope.quarter("2026Q3", cases.last_date.replace(month=10)), Protocol())
    said = {row.label: row.verdict for row in finding.exhibits[0].rows}
    assert said["Consent dated before the treatment day"] == "cannot say"
    assert "Cannot be said" in " ".join(finding.says)


def test_a_period_without_zones_cannot_be_said(tmp_path):
    cases = small_clinic(tmp_path, [{"antiviral": "yes", "zone": "perioral"}])
    finding = standards(cases, Scope.quarter("2025Q1", cases.last_date), Protocol())
    assert {row.verdict for row in finding.exhibits[0].rows} == {"cannot say"}


def test_without_criteria_that_is_what_is_said(clinic, scope):
    finding = standards(clinic, scope, Protocol(criteria=()))
    assert finding.says == ("The protocol holds no criteria, so that none was judged.",)
    assert finding.exhibits == ()


def test_the_interval_rule_uses_the_limits_that_are_printed():
    # 30 of 40 by Wilson, 0.5981 to 0.8581 (Newcombe's formula, worked by hand): neither side of 0.8
    answer = proportion(30, 40)
    assert (round(answer.low, 4), round(answer.high, 4)) == (0.5981, 0.8581)
    assert verdict_by_interval(_criterion("at least", 0.8), answer) == "not shown"
    assert verdict_by_interval(_criterion("at least", 0.59), answer) == "met"
    assert verdict_by_interval(_criterion("at least", 0.86), answer) == "not met"


def test_every_criterion_is_defined_in_words(protocol):
    grid = criteria_defined(protocol)
    words = {row[0]: row[1:] for row in grid.rows}
    assert len(words) == len(protocol.criteria)
    assert words["Hyperpigmentation, skin types IV to VI"][0].startswith(
        "zones with skin type IV, V or VI; exceptions: "
    )
    assert words["Face healed by day 14"][0].startswith("zones with region face; exceptions: zones whose healing")
    assert words["Injected dose within the limit, weight recorded"][0].startswith("sessions with an injection")
    assert (words["Any infection"][1], words["Any infection"][4]) == ("at most 2.0 %, by interval", "60")
    assert all(all(row) for row in grid.rows)


def test_a_few_events_in_a_part_of_the_clinic_are_held_back_from_a_committee_only(tmp_path):
    """Three of 40 zones of skin type II with hyperpigmentation: the share is not printed, and nothing gives it away."""
    visits = [
        {"record_id": f"R{i}", "day": "100", "contact": "in_person", "hyperpigmentation": "yes" if i < 4 else "no"}
        for i in range(1, 41)
    ]
    cases = small_clinic(tmp_path, [{} for _ in range(40)], visits=visits)
    scope = Scope.quarter("2026Q3", date(2027, 6, 1))
    title = "Hyperpigmentation, skin types I to III"
    judged = judge_all(cases, scope, Protocol())
    row = next(row for row in standards_finding(judged, scope, Protocol()).exhibits[0].rows if row.label == title)
    assert isinstance(row.answer, NotEstimable)
    assert row.answer.reason == "fewer than 5 events: held back"
    assert row.cells[1] == "–"
    inside = Protocol(audience="clinic")
    row = next(row for row in standards_finding(judged, scope, inside).exhibits[0].rows if row.label == title)
    assert isinstance(row.answer, Estimate)
    assert row.cells[1] == "3 / 40"


def test_outcomes_on_the_zone_row_are_judged_and_cannot_be_taken_back(tmp_path):
    rows = []
    for number in range(60):
        own = {
            "last_seen_day": "40",
            "healed_after_day": "5",
            "healed_by_day": "8",
            "antiviral": "yes",
            "zone": "perioral",
        }
        rows.append({**own, "treated_on": "2026-04-15" if number % 2 else "2026-07-15"})
    cases = small_clinic(tmp_path, rows)
    finding = standards(cases, Scope.quarter("2026Q3", date(2027, 1, 1)), Protocol())
    said = {row.label: (row.verdict, row.cells[1]) for row in finding.exhibits[0].rows}
    assert said["Antiviral cover around the mouth, for the full face or after herpes"] == ("met", "30 / 30")
    assert said["Face healed by day 14"] == ("not shown", "30 / 30")  # exact limits of 30 of 30: 88.4 to 100 %
    assert said["Seen between day 5 and day 10"][0] == "cannot say"
    assert any("could not be taken back" in caveat for caveat in finding.caveats)
