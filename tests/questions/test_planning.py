"""How many more cases, and by when: by formulas worked by hand, and against the tables of others."""

from __future__ import annotations

import math
from datetime import date

import pytest
from small_clinic import small_clinic

from outcomes.estimates.estimate import Estimate, NotEstimable
from outcomes.estimates.needed import cases_to_show_difference
from outcomes.estimates.proportion import clustered_proportion, proportion
from outcomes.findings import Finding, Forest, Row
from outcomes.protocol import Protocol
from outcomes.questions.criteria_judge import Judged, Judgement
from outcomes.questions.planning import planning
from outcomes.questions.planning_sizes import (
    day_reached,
    implied_design_effect,
    needed_for_ratio,
    needed_for_share,
)
from outcomes.records.scope import Scope

SCOPE = Scope.quarter("2026Q3", date(2026, 10, 14))
PROTOCOL = Protocol()


def _odds_ratio(a, b, c, d, **more):
    """Woolf's limits for a of b with the event against c of d."""
    log = math.log(a / (b - a) * (d - c) / c)
    error = math.sqrt(1 / a + 1 / (b - a) + 1 / c + 1 / (d - c))
    low, high = (math.exp(log + sign * 1.959964 * error) for sign in (-1, 1))
    return Estimate("x", math.exp(log), low, high, "Woolf", b + d, unit="odds ratio", **more)


def test_the_interval_of_a_ratio_leaves_out_one_at_the_size_given_and_not_before():
    now = _odds_ratio(15, 100, 10, 100)
    more = needed_for_ratio(now).more
    # the same table, each cell as many times as large
    times = (200 + more) / 200
    assert _odds_ratio(15 * times, 100 * times, 10 * times, 100 * times).low == pytest.approx(1, abs=2e-4)
    fewer = (199 + more) / 200
    assert _odds_ratio(15 * fewer, 100 * fewer, 10 * fewer, 100 * fewer).low < 1


def test_four_in_five_agrees_with_the_textbook_size_of_a_comparison():
    """Fleiss, Levin and Paik's formula, of another scale (risks), gives nearly the number that the log odds give."""
    now = _odds_ratio(15, 100, 10, 100)
    textbook = 2 * cases_to_show_difference(0.15, 0.10)
    assert 200 + needed_for_ratio(now).more_likely == pytest.approx(textbook, rel=0.03)


def test_adjusted_for_many_comparisons_it_takes_more():
    plain = needed_for_ratio(_odds_ratio(15, 100, 10, 100)).more
    # three times as many comparisons: z at 0.025 / 3 is 2.394 instead of 1.960, so 1.492 times as many records
    adjusted = needed_for_ratio(_odds_ratio(15, 100, 10, 100, p_value=0.2, p_adjusted=0.6)).more
    assert (200 + adjusted) / (200 + plain) == pytest.approx((2.39398 / 1.95996) ** 2, rel=2e-3)


def test_a_share_of_independent_records_has_no_design_effect_and_a_clustered_one_has():
    assert implied_design_effect(proportion(12, 60, method="exact")) == pytest.approx(1.0, abs=0.01)
    twins = clustered_proportion([1, 1] * 12 + [0, 0] * 48, [i // 2 for i in range(120)])
    assert implied_design_effect(twins) == pytest.approx(2.0, rel=0.05)


def test_clustering_multiplies_what_is_needed():
    alone = proportion(12, 120, method="exact")
    twins = clustered_proportion([1, 1] * 6 + [0, 0] * 54, [i // 2 for i in range(120)])
    a, b = needed_for_share(alone, 0.08), needed_for_share(twins, 0.08)
    assert (120 + b.more) / (120 + a.more) == pytest.approx(2.0, rel=0.06)
    assert b.more < b.more_likely


def test_four_in_five_of_a_share_is_the_size_that_r_finds():
    """R 4.2.2, one-sided 5 %, power 80 % (code in tests/estimates/test_needed.py): 37 for 5 % against a target of 20 %."""
    so_far = proportion(1, 20, method="exact", level=0.90)
    assert 20 + needed_for_share(so_far, 0.20).more_likely == 37


def test_the_day_is_counted_from_the_last_day_that_was_judged():
    # 60 more at 20 a month is 3 months of 30.44 days, and 210 days until they have had their time: 302 days
    assert day_reached(60, 20.0, date(2025, 12, 31), 210, SCOPE.as_of) == date(2026, 10, 29)
    # what has been treated already can be judged on the cut-off at the earliest
    assert day_reached(1, 20.0, date(2025, 12, 31), 10, SCOPE.as_of) == SCOPE.as_of
    # five years from the cut-off: 1826 days and the 14 since the period's end
    assert day_reached(1200, 20.0, date(2026, 9, 30), 0, SCOPE.as_of) == date(2031, 10, 1)
    assert day_reached(1220, 20.0, date(2026, 9, 30), 0, SCOPE.as_of) is None
    assert day_reached(None, 20.0, date(2026, 9, 30), 0, SCOPE.as_of) is None
    assert day_reached(60, 0.0, date(2026, 9, 30), 0, SCOPE.as_of) is None


def _judged(name, answer, verdict, counted):
    criterion = PROTOCOL.criterion(name)
    one = Judgement(criterion, "2026Q3", SCOPE.start, SCOPE.end, counted, counted, 0, (), answer, verdict)
    return Judged(one, one, NotEstimable("change", "none", n=0), 0)


def _finding(key, *rows):
    return Finding(key, "T", "A?", ("S.",), exhibits=(Forest("F", ("",), tuple(rows), scale="ratio"),))


@pytest.fixture
def cases(tmp_path):
    """24 zones of as many sessions, two a month up to the period's end."""
    days = [f"{2025 + (9 + i) // 12}-{(9 + i) % 12 + 1:02d}-1{k}" for i in range(12) for k in (0, 5)]
    return small_clinic(tmp_path, [{"treated_on": day} for day in days])


def test_only_what_is_not_shown_is_planned_for(cases):
    judged = [
        _judged("pain", proportion(16, 24, term="pain"), "not shown", 24),
        _judged("improvement", proportion(24, 24), "met", 24),
    ]
    settings = _finding(
        "settings_and_risk",
        Row("one pass more", _odds_ratio(9, 12, 3, 12), verdict="associated", group="Scarring: all"),
        Row("10 mJ more", _odds_ratio(6, 12, 4, 12), verdict="not shown", group="Scarring: all"),
        Row("5 points more", NotEstimable("x", "too few", n=3), verdict="cannot say", group="Scarring: all"),
    )
    other = _finding("healing", Row("10 mJ more", _odds_ratio(6, 12, 4, 12), verdict="not shown"))
    finding = planning([settings, other], judged, cases, SCOPE, PROTOCOL)
    terms = [answer.term for answer in finding.estimates]
    assert terms == ["Standards: Pain score 5 or less", "Settings: 10 mJ more, scarring"]
    assert finding.exclusions == ("1 comparison without an estimate to plan from.",)
    assert "24 zones of 24 sessions in the twelve months" in finding.denominators


def test_the_date_follows_from_the_volume(cases):
    answer = proportion(16, 24, term="pain")
    needed = needed_for_share(answer, 0.80)
    finding = planning([], [_judged("pain", answer, "not shown", 24)], cases, SCOPE, PROTOCOL)
    (row,) = finding.exhibits[0].rows
    months = needed.more / 2  # two sessions a month, each with a score
    day = date.fromordinal(SCOPE.end.toordinal() + math.ceil(months * 365.25 / 12))
    expected = "not within five years" if months > 60 else f"{day.year}Q{(day.month - 1) // 3 + 1}"
    assert row[2:] == ("24", str(needed.more), str(needed.more_likely), expected)
    assert 0 < months < 60


def test_a_share_on_its_target_gets_no_false_date(cases):
    finding = planning([], [_judged("pain", proportion(80, 100), "not shown", 100)], cases, SCOPE, PROTOCOL)
    (row,) = finding.exhibits[0].rows
    assert row[3:] == ("over a million", "over a million", "not within five years")


def test_what_is_not_shown_for_another_reason_is_said_so(cases):
    narrow = _odds_ratio(90, 120, 30, 120)
    assert narrow.low > 1
    finding = planning(
        [_finding("settings_and_risk", Row("10 mJ more", narrow, verdict="not shown", group="Scarring"))],
        [], cases, SCOPE, PROTOCOL,
    )  # fmt: skip
    assert finding.estimates == ()
    assert finding.exclusions[0].startswith("1 comparison not shown for another reason")


def test_nothing_left_open_is_said(cases):
    finding = planning([], [], cases, SCOPE, PROTOCOL)
    assert finding.says == ("Nothing was left as not shown with a number to plan from.",)
    assert finding.exhibits == ()
    assert finding.brief == ""


def test_a_share_that_is_not_settled_needs_more_whatever_the_other_limit_does():
    """3 of 624 zones against at most 2 %: the far limit, cautious, lies beyond the target, the near one is that of few patients."""
    answer = Estimate("any infection", 3 / 624, 0.0011, 0.0204, "m", 624, unit="proportion", patients=330, events=3)
    found = needed_for_share(answer, 0.02)
    assert found.more is not None
    assert 0 < found.more < 100
    assert implied_design_effect(answer, 0.02) > implied_design_effect(answer)
