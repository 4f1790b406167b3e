"""One practitioner's own report: it tells the reader's own truth and gives no colleague away."""

from __future__ import annotations

import itertools
import json
import re
from dataclasses import replace

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from small_clinic import small_clinic

from outcomes.errors import ReportError
from outcomes.estimates.estimate import Estimate, NotEstimable
from outcomes.estimates.funnel import detectable_odds_ratio
from outcomes.protocol import Protocol
from outcomes.questions.ask import ask
from outcomes.questions.benchmark import BENCHMARK, own_settings, protected
from outcomes.questions.benchmark_complications import (
    _brief,
    _comparison_text,
    _headlines,
    _requests,
    own_complications,
    own_rows,
    zones_to_show,
)
from outcomes.questions.benchmark_course import own_course
from outcomes.questions.benchmark_peers import own_scope, rough, roughly
from outcomes.questions.cusum import sessions_in_order
from outcomes.questions.follow_up import follow_up
from outcomes.questions.practitioner_model import judged_population
from outcomes.questions.practitioners import practitioners
from outcomes.records.scope import Scope
from outcomes.records.vocabulary import OUTCOMES
from outcomes.report.benchmark import compose_benchmark
from outcomes.report.data import json_text, report_data

# redness is left out: its bands take most of the time and the rule is the same for every outcome
QUICK = Protocol(
    judged=("hyperpigmentation",),
    modelled=("hyperpigmentation",),
    outcomes=tuple(o for o in OUTCOMES if o.derived_from != "redness"),
)


@pytest.fixture(scope="module")
def people(clinic):
    return sorted(str(who) for who in clinic.zones["practitioner_id"].unique())


@pytest.fixture(scope="module")
def reports(clinic, scope, people):
    """Every practitioner's report, as its JSON says it."""
    found = {}
    for who in people:
        own = own_scope(clinic, scope, who)
        findings = ask(clinic, own, QUICK, questions=BENCHMARK)
        found[who] = report_data(compose_benchmark(findings, clinic, own, QUICK))
    return found


@pytest.fixture(scope="module")
def truth_by_who(clinic, scope):
    """Zones with a known outcome and events of each practitioner, counted from the records."""
    outcome = QUICK.outcome("hyperpigmentation")
    frame = judged_population(clinic, scope.end, scope.as_of, outcome).frame
    event = follow_up(frame, outcome).event
    whole = pd.DataFrame({"who": frame["practitioner_id"].astype(str).to_numpy(), "event": event})
    whole["off"] = (frame["region"] == "off_face").to_numpy(dtype=bool)
    return whole


def _table(data, start):
    blocks = [b for s in data["sections"] for b in s["blocks"]]
    return next(b for b in blocks if b.get("title", "").startswith(start))


def test_no_colleague_is_named_in_anybodys_report(reports, people):
    for who, data in reports.items():
        text = json_text(data)
        for other in people:
            assert (other in re.findall(r"\b[A-Z]{3}\b", text)) == (other == who)


def test_the_readers_own_numbers_are_those_of_the_records_or_held_back(reports, truth_by_who):
    shown = 0
    for who, data in reports.items():
        rows = _table(data, "You against")["rows"]
        for row, place in zip(rows, (truth_by_who, truth_by_who[truth_by_who["off"]]), strict=True):
            mine = place[place["who"] == who]
            events, zones = re.split(r"\s/\s", row["cells"][0])
            assert zones in ("–", f"{len(mine):,}")
            assert events in ("–", str(int(mine["event"].sum())))
            if 1 <= mine["event"].sum() <= 4:
                assert events == "–"
            shown += events != "–"
    assert shown > len(reports)


def test_a_report_holds_back_what_the_audit_holds_back(reports, clinic, scope):
    """So that the audit and every report laid side by side say no more than the audit."""
    audit = practitioners(clinic, scope, QUICK)
    table = next(e for e in audit.exhibits if e.title.startswith("Each practitioner"))
    printed = {(row.label, i // len(reports)): row.cells[0] for i, row in enumerate(table.rows)}
    held = 0
    for who, data in reports.items():
        for i, row in enumerate(_table(data, "You against")["rows"]):
            assert row["cells"][0] == printed[who, i]
            held += row["cells"][0].startswith("–")
            if row["cells"][0].startswith("–"):
                assert row["estimate"].get("value") is None
    assert held


def test_all_reports_but_one_do_not_find_the_one_left(reports, people, truth_by_who):
    """The attack: take the peers of one report, subtract the own numbers of all the others, and get a colleague's.

    The reader believes the peers' share to lie anywhere within its rounding, and their number within its own.
    """
    for reader, target in itertools.permutations(people, 2):
        data = reports[reader]
        row = _table(data, "You against")["rows"][0]
        records = data["estimates"]["own_complications"]
        peers = next(r for r in records if r["term"] == "hyperpigmentation, all regions: peers at your case-mix")
        others = [who for who in people if who not in (reader, target)]
        known = [_table(reports[who], "You against")["rows"][0]["cells"][0] for who in others]
        events = sum(int(re.split(r"\s/\s", cell)[0].replace(",", "")) for cell in known)
        share, step = peers["estimate"], 0.005
        fewest, most = peers["n"] - 25, peers["n"] + 25
        low = (share - step) * fewest - events
        high = (share + step) * most - events
        true = truth_by_who[truth_by_who["who"] == target]["event"].sum()
        # more than twenty counts fit, even if the peers' own case-mix were the reader's
        assert high - low > 20
        assert most - fewest >= 50
        assert not (round(low) == round(high) == true)
        assert peers["events"] is None
        assert peers["patients"] is None
        assert "p" not in row["estimate"] or row["estimate"]["p_value"] is None


def test_every_number_that_rests_on_peers_is_rounded_in_the_files_too(reports):
    seen = 0
    for data in reports.values():
        for record in itertools.chain.from_iterable(data["estimates"].values()):
            if "peer" not in record["term"]:
                continue
            assert record["events"] is None
            assert record["patients"] is None
            for part in ("estimate", "conf_low", "conf_high"):
                if record[part] is None:
                    continue
                seen += 1
                if record["unit"] == "proportion":
                    assert abs(record[part] * 200 - round(record[part] * 200)) < 1e-6
                else:
                    assert float(f"{record[part]:.3g}") == pytest.approx(record[part], abs=1e-12)
    assert seen > 50


@given(
    st.floats(0.0001, 0.9999), st.floats(0, 1), st.floats(0, 1), st.sampled_from(["proportion", "odds ratio", "days"])
)
def test_rounding_never_narrows_an_interval(value, down, up, unit):
    low, high = value * (0.9 * down), value + (1 - value) * (0.05 + 0.9 * up)
    exact = Estimate("peers", value, low, high, "m", 2112, unit=unit, patients=40, events=7, p_value=0.03)
    rounded = rough(exact)
    if isinstance(rounded, NotEstimable):
        assert value < 0.0025 + 1e-9
        assert unit == "proportion"
        return
    assert rounded.low <= low + 1e-9
    assert rounded.high >= high - 1e-9
    assert rounded.n == roughly(2112) == 2100
    assert (rounded.events, rounded.patients, rounded.p_value) == (None, None, None)


def test_the_worse_practitioner_reads_it_and_what_to_do(clinic, scope, truth):
    who = truth["worse_practitioner"]["practitioner"]
    finding = own_complications(clinic, own_scope(clinic, scope, who), QUICK)
    assert finding.headlines[0][0] == "outside 95 %"
    assert finding.says[0].startswith(
        "You recorded more hyperpigmentation than your peers' results would give (off the face)"
    )
    assert "You have the right to reply" in finding.says[1]
    assert finding.requests
    against = next(a for a in finding.estimates if a.term == "hyperpigmentation, off the face: you against your peers")
    assert against.low > 1


def test_who_is_worth_a_look_reads_that_it_is_no_flag(clinic, scope, truth):
    rows = own_rows(clinic, own_scope(clinic, scope, truth["worse_practitioner"]["practitioner"]), QUICK)
    rows = [
        replace(
            o, row=replace(o.row, verdict="worth a look" if o.comparison.where == "off the face" else "within limits")
        )
        for o in rows
    ]
    noticed = [o for o in rows if o.row.verdict == "worth a look"]
    assert noticed
    says = _comparison_text(rows, [], noticed)
    assert "worth a look and no flag" in says[1]
    assert not any("no difference is shown" in sentence for sentence in says)
    assert "do not stand out over the whole audit; worth a look, and no flag" in _brief(rows, [], noticed)
    assert _headlines(rows, [], noticed, ())[0][0] == "worth a look"
    assert "worth a look, no flag" in _requests([], noticed)[0]


def test_with_two_colleagues_the_peers_are_not_shown(clinic, scope, people):
    three = clinic.where(lambda z: z["practitioner_id"].isin(people[:3]), "three practitioners")
    own = own_scope(three, scope, people[0])
    for finding in ask(three, own, QUICK, questions=BENCHMARK):
        for answer in finding.estimates:
            if "peer" in answer.term:
                assert isinstance(answer, NotEstimable)
        for word in people[1:3]:
            assert word not in json.dumps([finding.says, finding.denominators, finding.caveats])
    complications = own_complications(three, own, QUICK)
    assert any("at least three others" in sentence for sentence in complications.says)


def test_one_colleague_who_treated_most_hides_all(clinic, scope, people):
    big, few = people[2], 12
    frame = clinic.zones
    keep = set(frame.loc[frame["practitioner_id"].isin([people[0], big]), "record_id"])
    for who in people[3:6]:
        keep |= set(frame.loc[frame["practitioner_id"] == who, "record_id"].head(few))
    cases = clinic.where(lambda z: z["record_id"].isin(keep), "one large")
    finding = own_complications(cases, own_scope(cases, scope, people[0]), QUICK)
    assert all(isinstance(a, NotEstimable) for a in finding.estimates if "peer" in a.term)
    assert any("more than 60 %" in sentence for sentence in finding.says)


def test_the_clinic_may_ask_for_small_counts(clinic, scope, people):
    own = own_scope(clinic, scope, people[1])
    finding = own_complications(clinic, own, replace(QUICK, audience="clinic"))
    assert not any("held back" in getattr(a, "reason", "") for a in finding.estimates)
    assert "Small counts of your own are shown in full" in protected(replace(QUICK, audience="clinic"))[1]


def test_an_unknown_practitioner_is_two_sentences_without_a_list(clinic, scope, people):
    with pytest.raises(ReportError) as caught:
        own_scope(clinic, scope, "ZZZ")
    assert caught.value.wrong.endswith(".")
    assert caught.value.remedy.endswith(".")
    assert not any(who in str(caught.value) for who in [*people, "ZZZ"])


def test_settings_are_the_readers_own(clinic, scope, people):
    own = own_scope(clinic, scope, people[2])
    grid = own_settings(clinic, own, QUICK).exhibits[0]
    zones = clinic.during(scope.baseline_start, scope.end).zones
    mine = zones[
        (zones["practitioner_id"] == people[2]) & (zones["zone"] == "neck") & (zones["spot_class"] == "narrow")
    ]
    mine = mine[~mine["layered"].fillna(False)]
    row = next(r for r in grid.rows if r[0].startswith("Neck"))
    assert row[0] == f"Neck, {len(mine)}"
    assert row[1].split(" ")[0] == f"{mine['pulse_energy_mj'].astype(float).median():g}"


def test_ones_own_course_holds_only_ones_own_sessions(clinic, scope, people, truth):
    signalled = []
    turn = pd.Timestamp("2025-01-01")  # the records begin in January 2024; four quarters calibrate
    for who in people:
        own = own_scope(clinic, scope, who)
        finding = own_course(clinic, own, QUICK)
        for chart in finding.exhibits:
            cases = clinic.where(
                lambda z, who=who, turn=turn: (z["practitioner_id"] == who) & (z["treated_on"] >= turn), "own"
            )
            sessions, _ = sessions_in_order(cases, scope, QUICK.outcome("hyperpigmentation"))
            assert (chart.n, chart.events) == (len(sessions), int(sessions["event"].sum()))
            assert all(round(v, 2) == v for v in (*chart.up, *chart.down, chart.limit_up, chart.limit_down))
            if chart.signals_up or chart.signals_down:
                signalled.append(who)
        if not finding.exhibits:
            assert "cannot be charted" in finding.says[0]
    # Nobody's odds of it changed over time. All charts together promise one false alarm a side in 60 months: over the 15
    # charted months 0.5 are expected of both sides, and more than two would come in 1.4 % of draws (Poisson).
    assert len(signalled) <= 2


def test_few_events_hold_a_course_back(clinic, scope, people):
    outcome = QUICK.outcome("scarring")
    rare = replace(QUICK, judged=("scarring",))
    for who in people:
        cases = clinic.where(lambda z, who=who: z["practitioner_id"] == who, "own")
        sessions, _ = sessions_in_order(cases, scope, outcome)
        finding = own_course(clinic, own_scope(clinic, scope, who), rare)
        if 1 <= sessions["event"].sum() <= 4:
            assert "held back" in finding.says[0]
            assert finding.exhibits == ()


def test_zones_needed_are_the_fewest_that_would_show_it():
    n = zones_to_show(2.0, 2000, 0.1, 1.5, 0.99)
    assert detectable_odds_ratio(n, 2000, 0.1, 1.5, level=0.99) <= 2.0
    assert detectable_odds_ratio(n - 10, 2000, 0.1, 1.5, level=0.99) > 2.0
    # risks of 0.1 and 2/11 have odds 2 to 1: R 4.2, power.prop.test(p1 = 0.1, p2 = 2/11, power = 0.8)$n is 282.686
    assert detectable_odds_ratio(282.686, 282.686, 0.1) == pytest.approx(2.0, abs=0.005)


def test_a_practitioner_of_two_zones_gets_a_report_that_says_so(tmp_path, protocol):
    cases = small_clinic(tmp_path, [{}, {"zone": "neck"}, {"practitioner_id": "P2"}])
    own = own_scope(cases, Scope.quarter("2026Q3", cases.last_date), "P1")
    findings = ask(cases, own, protocol, questions=BENCHMARK)
    report = compose_benchmark(findings, cases, own, protocol)
    assert report.kind == "benchmark"
    assert json_text(report_data(report))
    assert not any(isinstance(a, Estimate) and "peer" in a.term for f in findings for a in f.estimates)
