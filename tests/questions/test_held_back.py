"""The audit's breakdowns hold small counts back: attacks on the findings, on report.json, tables and alt texts."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from outcomes.estimates.estimate import Estimate, tidy
from outcomes.estimates.hidden import possible_range
from outcomes.figures.alt import alt_text
from outcomes.findings import Curves, Forest, Funnel
from outcomes.protocol import Protocol
from outcomes.questions.case_mix import case_mix
from outcomes.questions.complication_tables import place_forest
from outcomes.questions.follow_up import follow_up
from outcomes.questions.healing import healing
from outcomes.questions.population import everyone
from outcomes.questions.practitioner_model import judged_population
from outcomes.questions.practitioners import practitioners
from outcomes.questions.settings_in_use import settings_in_use
from outcomes.records.vocabulary import ZONES
from outcomes.report.compose import compose
from outcomes.report.data import json_text, report_data

CLINIC = replace(Protocol(), audience="clinic")


@pytest.fixture(scope="module")
def judged(clinic, scope, protocol):
    return practitioners(clinic, scope, protocol)


@pytest.fixture(scope="module")
def places(clinic, scope, protocol):
    return place_forest(everyone(clinic).frame, scope, protocol)


def _truth_by_practitioner(clinic, scope, protocol):
    """Events by outcome, place and practitioner, counted straight from the records."""
    found = {}
    for name in protocol.judged:
        outcome = protocol.outcome(name)
        frame = judged_population(clinic, scope.end, scope.as_of, outcome).frame
        event = follow_up(frame, outcome).event
        off = (frame["region"] == "off_face").to_numpy(dtype=bool)
        for who in sorted(frame["practitioner_id"].unique()):
            mine = (frame["practitioner_id"] == who).to_numpy(dtype=bool)
            label = outcome.label[0].upper() + outcome.label[1:]
            found[f"{label}, all regions", str(who)] = int((event & mine).sum())
            found[f"{label}, off the face", str(who)] = int((event & mine & off).sum())
    return found


def _cell(text):
    """Events of a cell "12 / 300", None where held back."""
    events = re.split(r"\s/\s", text)[0].replace(",", "")
    return None if events == "–" else int(events)


def test_every_small_count_of_a_practitioner_is_held_back_and_others_are_shown(judged, clinic, scope, protocol):
    truth = _truth_by_practitioner(clinic, scope, protocol)
    table = next(e for e in judged.exhibits if e.title.startswith("Each practitioner"))
    printed = {(row.group, row.label): _cell(row.cells[0]) for row in table.rows}
    assert printed.keys() == truth.keys()
    assert any(1 <= n <= 4 for n in truth.values())
    for row, events in truth.items():
        assert printed[row] in (None, events)
        if 1 <= events <= 4:
            assert printed[row] is None
    assert sum(n is not None for n in printed.values()) > len(printed) / 3


def test_subtracting_practitioners_and_regions_from_totals_finds_no_small_count(judged, clinic, scope, protocol):
    """All that the page and the files say, put into one system of sums: practitioner by region, with totals."""
    truth = _truth_by_practitioner(clinic, scope, protocol)
    table = next(e for e in judged.exhibits if e.title.startswith("Each practitioner"))
    known = {(row.group, row.label): _cell(row.cells[0]) for row in table.rows}
    people = sorted({who for _, who in truth})
    tried = 0
    for name in protocol.judged:
        label = protocol.outcome(name).label
        label = label[0].upper() + label[1:]
        everywhere, off, rest = f"{label}, all regions", f"{label}, off the face", "rest"
        total = {
            where: int(found[1].replace(",", ""))
            for where in (everywhere, off)
            if (found := re.search(rf"{re.escape(where)}: [^.]*, ([\d,]+) events?\.", judged.denominators))
        }
        assert everywhere in total
        cells = [(place, who) for place in (everywhere, off, rest) for who in people]
        low, high, values = [], [], {}
        for place, who in cells:
            value = known.get((place, who))
            values[place, who] = value
            reason = next(
                (r.answer.reason for r in table.rows if (r.group, r.label) == (place, who) and value is None), ""
            )
            few = reason.startswith("fewer than 5 events")
            low.append(value if value is not None else 1 if few else 0)
            high.append(value if value is not None else 4 if few else None)
        signs, sums = [], []
        for who in people:
            signs.append([{everywhere: 1, off: -1, rest: -1}[p] if w == who else 0 for p, w in cells])
            sums.append(0)
        for place, number in total.items():
            signs.append([int(p == place) for p, _ in cells])
            sums.append(number)
        for i, (place, who) in enumerate(cells):
            true = truth.get((place, who), truth[everywhere, who] - truth[off, who])
            if 1 <= true <= 4:
                least, most = possible_range(signs, sums, low, high, i)
                assert most - least >= 3 - 1e-6, (place, who)
                tried += 1
    assert tried >= 10


def test_no_estimate_of_a_held_back_practitioner_keeps_a_number(judged):
    table = next(e for e in judged.exhibits if e.title.startswith("Each practitioner"))
    hidden = {(r.group, r.label) for r in table.rows if _cell(r.cells[0]) is None}
    assert hidden
    for answer in judged.estimates:
        for group, who in hidden:
            outcome, where = group.split(", ", 1)
            mine = answer.term.lower().startswith(f"{outcome.lower()}, {who.lower()}")
            shrunken = "shrunken" in answer.term and where == "all regions"
            if mine and (answer.term.endswith(where) or shrunken):
                assert not isinstance(answer, Estimate), answer.term
                assert answer.events is None
                assert answer.patients is None
    for funnel in (e for e in judged.exhibits if isinstance(e, Funnel)):
        drawn = {point.label for point in funnel.points}
        for group, who in hidden:
            if funnel.title.startswith(group + ":"):
                assert who not in drawn
                assert f"{who}:" not in alt_text(funnel)


def test_zones_of_a_region_do_not_give_a_small_one_away(places, clinic):
    assert any(_cell(row.cells[0]) is None for row in places.rows)
    by = {(row.group, row.label): _cell(row.cells[0]) for row in places.rows}
    for row in places.rows:
        events = _cell(row.cells[0])
        assert events is None or events == 0 or events >= 5
        assert isinstance(row.answer, Estimate) == (events is not None)
    group = "Hyperpigmentation, by"
    for region, label in (("eyelid", "Eyelids"), ("off_face", "Off the face"), ("face", "Face")):
        inside = [
            by.get((f"{group} zone", name[0].upper() + name[1:])) for name, where in ZONES.values() if where == region
        ]
        whole = by[f"{group} region", label]
        assert whole is None or sum(n is None for n in inside) != 1
    # the records of the invented clinic hold small counts here, so that the rule was needed
    everywhere = place_forest(everyone(clinic).frame, _scope(clinic), CLINIC)
    small = {(r.group, r.label) for r in everywhere.rows if 1 <= (_cell(r.cells[0]) or 0) <= 4}
    assert small
    assert all(by[row] is None for row in small)


def _scope(clinic):
    from outcomes.records.scope import Scope

    return Scope.quarter("2026Q3", clinic.last_date)


def test_the_clinic_itself_sees_everything(clinic, scope):
    finding = practitioners(clinic, scope, CLINIC)
    table = next(e for e in finding.exhibits if e.title.startswith("Each practitioner"))
    assert all(_cell(row.cells[0]) is not None for row in table.rows)
    assert "held back" not in finding.denominators
    assert all(
        "held back" not in cell for e in case_mix(clinic, scope, CLINIC).exhibits for r in e.rows for cell in r.cells
    )


def _few_by_level(clinic, scope, keep):
    """A clinic in which `keep` zones of the period are of a region, all others not."""
    frame = everyone(clinic).frame
    inside = frame["treated_on"].dt.date.between(scope.start, scope.end)
    lids = frame.index[(frame["region"] == "eyelid").fillna(False) & inside]
    dropped = set(frame.loc[lids[keep:], "record_id"])
    return clinic.where(lambda zones: ~zones["record_id"].isin(dropped), "few lids")


def test_a_region_of_three_zones_takes_another_with_it(clinic, scope, protocol):
    few = _few_by_level(clinic, scope, 3)
    finding = case_mix(few, scope, protocol)
    rows = [r for r in finding.exhibits[0].rows if r.group == "Region, zones"]
    hidden = [r.label for r in rows if r.cells[0] == "held back"]
    assert "Eyelids" in hidden
    assert len(hidden) >= 2
    for answer in finding.estimates:
        if answer.term.startswith("Region: eyelids") and "baseline" not in answer.term:
            assert not isinstance(answer, Estimate)
    assert "3" not in next(r for r in rows if r.label == "Eyelids").cells
    settings = settings_in_use(few, scope, protocol)
    by_region = next(e for e in settings.exhibits if e.title.endswith("by region") and isinstance(e, Forest))
    row = next(r for r in by_region.rows if r.label == "Eyelids")
    assert row.cells == ("held back",) * 3
    assert row.answer.n is None
    # and another region does not print the number that a subtraction would need
    assert sum(r.cells[0] == "held back" for r in by_region.rows) >= 2
    # the table that leads the section is of the same rows
    lids = [row for row in settings.exhibits[0].rows if row[0] == "Eyelids"]
    assert len(lids) == 3
    assert all(row[1:4] == ("held back",) * 3 and row[4].startswith("cannot say: ") for row in lids)
    assert "In 2 rows" in finding.exhibits[0].note or "In 3 rows" in finding.exhibits[0].note


def test_a_line_of_healing_ends_before_few_are_left(clinic, scope, protocol):
    frame = everyone(clinic).frame
    finding = healing(clinic, scope, protocol)
    curves = next(e for e in finding.exhibits if isinstance(e, Curves))
    assert all(n is None or n == 0 or n >= 5 for c in curves.curves for n in c.at_risk)
    for curve, region in zip(curves.curves, ("face", "eyelid", "off_face"), strict=True):
        after = frame.loc[(frame["region"] == region).fillna(False), "healed_after_day"].dropna().astype(float)
        assert not curve.days or (after >= curve.days[-1]).sum() >= 5
    lids = next(
        r for e in finding.exhibits if e.title.startswith("Slow") for r in e.rows if r.label.startswith("Eyelids")
    )
    assert lids.answer.reason.startswith("fewer than 5 zones known not to be healed")
    everything = healing(clinic, scope, CLINIC)
    assert len(next(e for e in everything.exhibits if isinstance(e, Curves)).curves[0].days) == 43


def test_report_json_and_tables_hold_no_small_count_of_a_breakdown(judged, clinic, scope, protocol):
    """Every place that a number could hide in: the JSON of the page, alt texts in it, the tidy tables."""
    truth = _truth_by_practitioner(clinic, scope, protocol)
    data = report_data(compose((judged,), clinic, scope, protocol))
    text = json_text(data)
    assert "held back" in text
    for record in data["estimates"]["practitioners"]:
        events, n = record["events"], record["n"]
        assert events is None or events == 0 or events >= 5
        if events is not None and n is not None:
            assert n - events == 0 or n - events >= 5
        if record["unit"] == "proportion" and record["estimate"] is not None:
            assert not 0.5 < record["estimate"] * n < 4.5
    frame = tidy(judged.estimates)
    held_rows = frame["note"].str.contains("held back")
    assert held_rows.any()
    assert (
        frame.loc[held_rows, ["estimate", "conf_low", "conf_high", "events", "patients", "p_value"]]
        .isna()
        .all(axis=None)
    )
    # no sentence of the report words one of them: "3 events" for a practitioner with three
    for (_, who), events in truth.items():
        if 1 <= events <= 4:
            assert not re.search(rf"{who}[^.]*\b{events} events?\b", text)
