"""Kaplan–Meier and Aalen–Johansen against published curves and R."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from outcomes.estimates.estimate import Estimate, NotEstimable
from outcomes.estimates.incidence import aalen_johansen, kaplan_meier

# Freireich EJ et al. (1963) Blood 21:699-716, weeks of remission; printed in Cox DR, Oakes D (1984) Analysis of
# Survival Data, table 1.1. A 0 among the events is an end of follow-up.
MP6 = (
    [10, 7, 32, 23, 22, 6, 16, 34, 32, 25, 11, 20, 19, 6, 17, 35, 6, 13, 9, 6, 10],
    [1, 1, 0, 1, 1, 1, 1, 0, 0, 0, 0, 0, 0, 1, 0, 0, 1, 1, 0, 0, 0],
)
CONTROL = [1, 22, 3, 12, 8, 17, 2, 11, 8, 12, 2, 5, 4, 15, 8, 23, 5, 11, 4, 1, 8]
# Miller RG (1981) Survival Analysis, Wiley: weeks of remission in acute myelogenous leukaemia.
MAINTAINED = ([9, 13, 13, 18, 23, 28, 31, 34, 45, 48, 161], [1, 1, 0, 1, 1, 0, 1, 1, 0, 1, 0])
NOT_MAINTAINED = ([5, 5, 8, 8, 12, 16, 23, 27, 30, 33, 43, 45], [1, 1, 1, 1, 1, 0, 1, 1, 1, 1, 1, 1])


def agree(found, expected):
    """Limits agree, and those that R leaves undefined are undefined here."""
    assert [v is None for v in found] == [v is None for v in expected]
    known = [v for v in expected if v is not None]
    assert [v for v in found if v is not None] == pytest.approx(known, rel=1e-10)


def test_leukaemia_remissions():
    # S after weeks 6 … 23 and its limits from R 4.2, survfit(conf.type = "log-log"); S also as printed, three decimals.
    curve = kaplan_meier(*MP6)
    weeks = [6, 7, 10, 13, 16, 22, 23]
    assert curve.survival_at(weeks).round(3).tolist() == [0.857, 0.807, 0.753, 0.69, 0.627, 0.538, 0.448]
    assert curve.at_risk_at(weeks).tolist() == [21, 17, 15, 12, 11, 7, 6]
    low, high = curve.survival_band_at(weeks)
    lower = [0.619717955265984, 0.563146564622233, 0.503199510799957, 0.431610222486184, 0.367510855987502,
             0.267778936767135, 0.188052005959232]  # fmt: skip
    upper = [0.951551747646997, 0.92280901920288, 0.889361835169265, 0.849065963349451, 0.804912189471841,
             0.746790717635394, 0.680142628495241]  # fmt: skip
    assert low == pytest.approx(lower, rel=1e-12)
    assert high == pytest.approx(upper, rel=1e-12)
    median = curve.median()
    assert (median.value, median.low, median.high) == (23, 13, None)
    other = kaplan_meier(CONTROL, np.ones(21)).median()
    assert (other.value, other.low, other.high) == (8, 4, 11)


def test_leukaemia_in_full(reference):
    # The item's tests (log-rank, Wilcoxon, Peto) and log limits are not computed by the package.
    item = reference.item("surv.gehan.km")
    data, expected = item["data"], item["expected"]
    for group, name in (("6-MP", "mp6"), ("control", "control")):
        rows = [i for i, t in enumerate(data["treat"]) if t == group]
        curve = kaplan_meier([data["time"][i] for i in rows], [data["cens"][i] for i in rows])
        steps = curve.events[0] > 0
        assert curve.days[steps].tolist() == expected[name]["time"]
        assert curve.at_risk[steps].tolist() == expected[name]["n_risk"]
        assert curve.survival[steps] == pytest.approx(expected[name]["survival"], rel=1e-12, abs=1e-12)
        known = [(a, b) for a, b in zip(curve.survival_error[steps], expected[name]["greenwood_se"], strict=True)
                 if b is not None]  # fmt: skip
        assert [a for a, _ in known] == pytest.approx([b for _, b in known], rel=1e-10)


@pytest.mark.parametrize(("group", "data"), [("maintained", MAINTAINED), ("nonmaintained", NOT_MAINTAINED)])
def test_maintenance_therapy(reference, group, data):
    # Plain and log limits and the log-rank test of the item are not computed by the package.
    expected = reference.item("surv.aml")["expected"][f"{group}_log-log"]
    curve = kaplan_meier(*data)
    low, high = curve.survival_band_at(expected["time"])
    assert curve.survival_at(expected["time"]) == pytest.approx(expected["survival"], rel=1e-12, abs=1e-12)
    agree(low, expected["surv_lower"])
    agree(high, expected["surv_upper"])
    median = curve.median()
    assert (median.value, median.low, median.high) == tuple(expected[key][1] for key in ("quantiles", "lower", "upper"))


@pytest.mark.parametrize("case", ["tie", "to_zero", "no_events", "single_event", "all_tied"])
def test_edges(reference, case):
    item = reference.item("surv.km.edges")
    data, expected = item["data"]["cases"][case], item["expected"][case]
    curve = kaplan_meier(np.atleast_1d(data["time"]), np.atleast_1d(data["status"]))
    assert curve.days.tolist() == expected["time"]
    assert curve.at_risk.tolist() == expected["n_risk"]
    assert curve.survival == pytest.approx(expected["survival"], rel=1e-12, abs=1e-12)
    low, high = curve.survival_band_at(curve.days)
    agree(low, expected["loglog_lower"])
    agree(high, expected["loglog_upper"])
    median = curve.median()
    if isinstance(median, Estimate):
        assert median.value == expected["median"]
        assert (median.low, median.high) == (expected["median_loglog_lower"], expected["median_loglog_upper"])
    else:  # a median without any limit, or none
        assert expected["median_loglog_lower"] is None
        assert expected["median_loglog_upper"] is None


def test_ends_that_would_print_infinity_or_no_width():
    # Three invented groups; values from R 4.2 (survfit, conf.type = "log-log"), bounds 1 − 0.025^(1/n) by hand.
    none = kaplan_meier([10, 20, 30, 30, 30, 30, 40, 40], np.zeros(8))
    assert none.survival_band_at([10, 30]) == ((None, None), (None, None))
    assert none.median().reason == "not reached"
    early, late = none.risk_by(10), none.risk_by(30)
    assert early.high == pytest.approx(0.36942, abs=1e-5)
    assert isinstance(late, NotEstimable)
    assert late.reason == "no event seen, and 2 of 8 were followed for less long"
    some = kaplan_meier([6, 8, 10, 12, 15, 18, 20, 22, 25, 30], [1, 0, 1, 0, 1, 0, 0, 0, 0, 0])
    assert some.survival_at([30])[0] == pytest.approx(0.65625)
    low, high = some.survival_band_at([30])
    assert (low[0], high[0]) == pytest.approx((0.26039, 0.87647), abs=1e-5)
    assert some.median().reason == "not reached; lower 95 % limit 6 days"
    risk = some.risk_by(30)
    assert (risk.value, risk.low, risk.high) == pytest.approx((0.34375, 1 - 0.87647, 1 - 0.26039), abs=1e-5)
    assert some.risk_by(31).reason == "nobody was followed to day 31"
    every = kaplan_meier([3, 5, 9], [1, 1, 1])
    median = every.median()
    assert (median.value, median.low, median.high) == (5, 3, None)
    assert every.risk_by(9).low == pytest.approx(0.025 ** (1 / 3))
    assert every.survival_band_at([9]) == ((None,), (None,))


def test_negative_days_are_refused_by_position_and_day_zero_stays():
    # Invented: record 0 resolved 4 days before treatment, record 7 last seen 2 days before, record 6 on the same day.
    days, event = [-4, 3, 7, 9, 12, 15, 0, -2], [1, 1, 0, 1, 0, 1, 1, 0]
    with pytest.raises(ValueError, match=r"negative duration\) at positions 0, 7"):
        kaplan_meier(days, event)
    # R 4.2 on the other six: S(0) 0.83333, S(3) 0.66667, S(9) 0.44444, S(15) 0
    curve = kaplan_meier(days[1:7], event[1:7])
    assert curve.survival_at([0, 3, 9, 15]) == pytest.approx([5 / 6, 2 / 3, 4 / 9, 0])
    with pytest.raises(ValueError, match="missing at position 1"):
        kaplan_meier([1, np.nan], [1, 0])


# Twelve invented records with tied events of different causes. R 4.2: cause 1 0.34524 at day 5 and 0.47222 at day 10,
# cause 2 0.27381 and 0.40079, event-free 0.12698 (survfit with a factor of causes).
COMPETING = ([1, 2, 2, 3, 3, 4, 5, 5, 6, 8, 9, 10], [1, 1, 2, 0, 1, 2, 1, 2, 0, 1, 2, 0])


def test_tied_competing_events_are_not_drawn_at_random():
    curve = aalen_johansen(*COMPETING)
    assert curve.incidence_at([5, 10], 1) == pytest.approx([0.34524, 0.47222], abs=1e-5)
    assert curve.incidence_at([5, 10], 2) == pytest.approx([0.27381, 0.40079], abs=1e-5)
    assert curve.survival_at([10]) == pytest.approx(0.12698, abs=1e-5)
    total = curve.incidence.sum(axis=0) + curve.survival
    assert total == pytest.approx(np.ones(len(curve.days)))
    order = np.random.default_rng(0).permutation(12)
    again = aalen_johansen(np.array(COMPETING[0])[order], np.array(COMPETING[1])[order])
    assert again.incidence == pytest.approx(curve.incidence)
    assert again.incidence_error == pytest.approx(curve.incidence_error)
    assert curve.risk_by(5, 1).events == 4


@pytest.mark.parametrize("group", ["overall", "female", "male"])
def test_monoclonal_gammopathy(reference, group):
    # Kyle R et al. (2002) N Engl J Med 346:564-569. Gray's test and the Fine–Gray model are not computed here.
    frame = reference.frame("mgus2")
    expected = reference.item("surv.aj.mgus2")["expected"][group]
    rows = frame if group == "overall" else frame[frame["sex"] == group[0].upper()]
    curve = aalen_johansen(rows["etime"], rows["event"])
    assert curve.at_risk_at(expected["time"]).tolist() == expected["n_risk"]
    assert curve.survival_at(expected["time"]) == pytest.approx(expected["event_free"], rel=1e-10)
    places = np.searchsorted(curve.days, expected["time"], side="right") - 1
    for k in (1, 2):
        assert curve.incidence_at(expected["time"], k) == pytest.approx(expected[f"cause{k}"], rel=1e-10)
        assert curve.incidence_error[k - 1, places] == pytest.approx(expected[f"ij_se_cause{k}"], rel=1e-9)
    if group == "overall":
        naive = kaplan_meier(rows["etime"], rows["event"] == 1)
        complement = reference.item("surv.aj.mgus2")["expected"]["kaplan_meier_complement_cause1_at_240"]
        assert 1 - naive.survival_at([240])[0] == pytest.approx(complement, rel=1e-10)


TIME = [3, 5, 7, 7, 9, 4, 6, 12, 15, 8, 2, 10, 11, 6, 5, 13, 9, 7, 3, 14, 6, 8, 10, 12]
EVENT = [1, 1, 1, 0, 1, 1, 1, 0, 1, 1, 1, 1, 0, 1, 1, 1, 1, 0, 1, 1, 1, 1, 0, 1]


def test_variance_by_patient():
    # R 4.2, survival 3.5: survfit(Surv(time, ev) ~ 1, d, cluster = id, robust = TRUE), eight patients of three records;
    # standard errors at days 5, 8, 12 times √(8/7), which R leaves out.
    patient = np.repeat(np.arange(8), 3)
    curve = kaplan_meier(TIME, EVENT, cluster=patient)
    places = np.searchsorted(curve.days, [5, 8, 12])
    assert curve.survival_error[places] == pytest.approx([0.0833333333333, 0.1053831089277, 0.1009400261982], rel=1e-9)
    risk = curve.risk_by(8)
    assert risk.patients == 8
    assert "by patient" in risk.method
    # the same from competing causes, when there is one
    assert aalen_johansen(TIME, EVENT, cluster=patient).incidence_error[0] == pytest.approx(curve.survival_error)


def test_repeating_records_within_a_patient_adds_nothing():
    alone = aalen_johansen(*COMPETING)
    repeated = aalen_johansen(
        np.repeat(COMPETING[0], 3), np.repeat(COMPETING[1], 3), cluster=np.repeat(np.arange(12), 3)
    )
    assert repeated.incidence == pytest.approx(alone.incidence)
    assert repeated.incidence_error == pytest.approx(alone.incidence_error * (12 / 11) ** 0.5)


def test_greenwood_is_the_jackknife_of_independent_records():
    curve = kaplan_meier(*MP6)
    d, y = curve.events[0], curve.at_risk
    greenwood = curve.survival * np.sqrt(np.cumsum(d / (y * (y - d))))
    assert curve.survival_error == pytest.approx(greenwood)


def test_no_records_and_unknown_causes():
    empty = kaplan_meier([], [])
    assert empty.risk_by(3).reason == empty.median().reason == "no cases"
    with pytest.raises(ValueError, match="not declared at position 1"):
        aalen_johansen([1, 2], [1, 3], causes=[1, 2])
    none_of_two = aalen_johansen([1, 2, 4], [1, 0, 1], causes=[1, 2])
    assert none_of_two.risk_by(4, 2).reason == "no event seen, and 1 of 3 were followed for less long"


def test_a_variance_that_is_rounding_alone_gives_no_band():
    """Two patients whose residuals cancel: on day 1 half are free of the event, and nothing tells how sure that is."""
    curve = kaplan_meier([0, 1, 1, 1], [True, False, False, True], cluster=[1, 0, 1, 0])
    assert curve.survival_at([1])[0] == pytest.approx(0.5)
    assert curve.survival_band_at([1]) == ((None,), (None,))
    assert isinstance(curve.risk_by(1), NotEstimable)


records = st.tuples(st.integers(0, 9), st.integers(0, 2), st.integers(0, 6))


@given(st.lists(records, min_size=1, max_size=30), st.booleans())
def test_every_set_of_records_gets_a_number_with_width_or_a_reason(rows, clustered):
    days, cause, patient = (np.array(column) for column in zip(*rows, strict=True))
    cluster = patient if clustered else None
    curve = aalen_johansen(days, cause, causes=(1, 2), cluster=cluster)
    assert curve.incidence.sum(axis=0) + curve.survival == pytest.approx(np.ones(len(curve.days)))
    single = kaplan_meier(days, cause > 0, cluster=cluster)
    answers = [curve.risk_by(day, k) for day in range(12) for k in (1, 2)]
    for answer in [*answers, single.risk_by(5), single.median()]:
        if isinstance(answer, Estimate):
            assert answer.low is None or answer.low <= answer.value
            assert answer.high is None or answer.value <= answer.high
        else:
            assert answer.reason
    for low, high in zip(*single.survival_band_at(range(12)), strict=True):
        assert (low is None) == (high is None)
        assert low is None or 0 <= low < high <= 1
