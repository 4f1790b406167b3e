"""The studies of whole audits and of further kinds of interval: what takes a short way agrees with the product itself."""

from __future__ import annotations

import audits
import compared
import kinds
import numpy as np
import pandas as pd
import pytest
import study
from batches import at_value
from cells import Cell, intercept
from grid import cells

from outcomes.estimates.estimate import Estimate
from outcomes.estimates.firth import penalised
from outcomes.estimates.multiplicity import benjamini_hochberg
from outcomes.protocol import SETTINGS, Protocol
from outcomes.questions.population import Population
from outcomes.questions.practitioner_model import compare, judged_together
from outcomes.questions.settings_model import model_outcome
from outcomes.questions.settings_verdict import adjusted_for_multiplicity, judge
from outcomes.records.vocabulary import OUTCOME, REGIONS


def _population(events: np.ndarray, zones: np.ndarray, who: np.ndarray) -> Population:
    """One row a zone, of one region and skin type, all followed up for half a year."""
    m, k = zones.astype(int), events.astype(int)
    patient = np.repeat(np.arange(len(m)), m)
    event = np.arange(len(patient)) - np.repeat(np.cumsum(m) - m, m) < np.repeat(k, m)
    n, name = len(patient), "hyperpigmentation"
    frame = pd.DataFrame(
        {
            "patient_id": pd.array(patient.astype(str), dtype="string"),
            "practitioner_id": pd.array([f"P{i:02d}" for i in who[patient]], dtype="string"),
            "region": pd.Categorical(["face"] * n, categories=list(REGIONS)),
            "skin_group": pd.Categorical(["III"] * n, categories=["I–II", "III"], ordered=True),
            name: pd.array(event, dtype="boolean"),
            f"{name}_day": pd.array(np.where(event, 90, 0), dtype="Int64"),
            f"{name}_free_day": pd.array(np.full(n, 180), dtype="Int64"),
            "last_seen_day": pd.array(np.full(n, 180), dtype="Int64"),
        }
    )
    frame.loc[~event, f"{name}_day"] = pd.NA
    frame.loc[event, f"{name}_free_day"] = pd.NA
    return Population(frame)


def test_a_whole_audit_is_flagged_as_the_product_flags_it():
    cell = Cell("null audit", 150, 0.1, alpha=0.25, odds_ratio=5.0, practitioners=3, largest=0.55)
    comparisons, who = audits.drawn(cell, np.random.default_rng(11), 1)
    comparisons = comparisons[:4]
    raw = np.concatenate([audits.p_values(*one, who, cell.practitioners) for one in comparisons], axis=1)
    adjusted = audits.holm_rows(raw)[0]
    product = judged_together(
        [
            compare(_population(k[0], m[0], who[0]), OUTCOME["hyperpigmentation"], None, Protocol())
            for k, m in comparisons
        ],
        Protocol(),
    )
    each = [one for c in product for one in c.each]
    assert len(each) == len(adjusted) == 12
    judged = 0
    for one, p, before in zip(each, adjusted, raw[0], strict=True):
        if one.verdict == "too few to judge":
            assert np.isnan(p)
            continue
        judged += 1
        assert isinstance(one.against_rest, Estimate)
        assert one.against_rest.p_value == pytest.approx(before, rel=1e-6)
        assert one.against_rest.p_adjusted == pytest.approx(p, rel=1e-6)
        assert one.verdict.startswith("outside") == (p < 0.05)
    assert judged > 6
    assert (adjusted < 0.05).any()


def test_outcomes_of_an_audit_have_their_risks_and_go_together_within_a_patient():
    cell = Cell("null audit", 20_000, 0.06, alpha=0.25, practitioners=3)
    comparisons, _ = audits.drawn(cell, np.random.default_rng(2), 1)
    totals = [(float(k.sum() / m.sum()), float(m.sum())) for k, m in comparisons]
    for i, times in enumerate(audits.RISKS):
        for share, _ in totals[2 * i : 2 * i + 2]:
            assert share == pytest.approx(times * cell.risk, rel=0.12)
    assert totals[1][1] / totals[0][1] == pytest.approx(audits.OFF_FACE, abs=0.01)
    first, third = comparisons[0][0][0], comparisons[4][0][0]
    assert np.corrcoef(first, third)[0, 1] > 0.2


def test_settings_are_called_associated_when_the_product_calls_them_so():
    """Three outcomes: one follows a setting in every practitioner's hands, as a negative control, two follow none."""
    cell = Cell("null settings", 300, 0.08, "2-3", 0.25, "patient", 0.3, practitioners=3)
    frame, events = audits.settings_audit(cell, np.random.default_rng(8))
    follows = (frame["passes"] > 1).to_numpy() & (np.random.default_rng(1).random(len(frame)) < 0.4)
    events = [follows, events[0], events[2]]
    protocol = Protocol()
    models = [
        model_outcome(Population(frame), protocol.outcome(name), protocol, event=event)
        for name, event in zip(protocol.modelled, events, strict=True)
    ]
    models = adjusted_for_multiplicity(models)
    effects = [m.effects[s.column] for m in models for s in SETTINGS]
    p_values = [p for event in events for p in audits.settings_p_values(frame, event)]
    adjusted = benjamini_hochberg(p_values)
    assert p_values == pytest.approx([effect.p_value for effect in effects], rel=1e-6, abs=1e-12)
    assert adjusted == pytest.approx([effect.p_adjusted for effect in effects], rel=1e-6, abs=1e-12)
    called = sum(judge(m, s).word == "associated" for m in models for s in SETTINGS)
    assert audits.associated(frame, events, adjusted) == called >= 1


def test_an_interval_holds_a_value_exactly_when_the_deviance_there_says_so():
    cell = Cell("compared", 120, 0.1, "1-12", 0.25, "zone", 0.3, 2.0)
    tables = compared.drawn_tables(cell, np.random.default_rng(3), intercept(cell), 20)
    said = {ratio: at_value(tables, float(np.log(ratio))) for ratio in (0.8, 2.0, 5.0)}
    held = []
    for r in range(20):
        design, event, patient = compared._fitted(tables.one(r))
        answer = penalised(design, event, cluster=patient, profile=("exposed",)).term("exposed")
        assert isinstance(answer, Estimate)
        for ratio, at in said.items():
            inside = (answer.low or 0.0) <= ratio <= (answer.high or np.inf)
            assert inside == bool(at.deviance[r] <= compared.CUT * at.divisor[r])
            held.append(inside)
        assert float(np.log(answer.value)) == pytest.approx(float(said[2.0].estimate[r]), abs=1e-6)
    assert 10 < sum(held) < 50  # both answers are seen


@pytest.mark.parametrize("name", list(kinds.KINDS))
def test_every_kind_answers_and_its_interval_stands_about_the_truth(name):
    cell = next(c for c in kinds.CELLS if c.study == name)
    rng = np.random.default_rng(5)
    said = [one for _ in range(3) for one in kinds.KINDS[name](cell, rng)]
    answered = [(answer, truth) for method, answer, truth, _ in said if isinstance(answer, Estimate)]
    assert len(answered) >= 3
    assert any("(product)" in method for method, *_ in said)
    for answer, truth in answered:
        if answer.low is not None and answer.high is not None:
            far = 2 * (answer.high - answer.low)
            assert answer.low - far < truth < answer.high + far


def test_truths_of_the_kinds_are_what_they_are_called():
    cell = Cell("exposures", 1500, 0.08, "2-3", 0.08, kinds.UNRECORDED, 0.3, 2.0)
    at, slope, shift = kinds._confounded(cell), np.log(2.0), np.log(2.0)
    risks = {(x, z): 1 / (1 + np.exp(-at - slope * x - shift * z)) for x in (0, 1) for z in (0, 1)}
    # three in ten have the factor; half of them are exposed, and three in fourteen of the others
    mean = 0.15 * risks[1, 1] + 0.15 * risks[0, 1] + 0.15 * risks[1, 0] + 0.55 * risks[0, 0]
    assert mean == pytest.approx(0.08, abs=1e-9)
    # seven zones in ten have their median on day 7, the others 1.2 times as late
    assert 7.0 < kinds._median_day() < 7.0 * 1.2
    rng = np.random.default_rng(4)
    days = 7.0 * np.where(rng.random(200_000) < 0.3, 1.2, 1.0) * np.exp(0.22 * rng.logistic(size=200_000))
    assert np.median(days) == pytest.approx(kinds._median_day(), rel=0.01)


def test_a_factor_that_is_missing_from_the_records_is_found_out(monkeypatch):
    monkeypatch.setitem(kinds.BLOCK, "exposures", 12)
    tally = kinds.block(
        Cell("exposures", 1500, 0.08, "2-3", 0.08, kinds.UNRECORDED, 0.3, 2.0), np.random.default_rng(6)
    )
    moved = {m: t["error"] / t["answered"] for m, t in tally.items()}
    # the factor's odds ratio of 2 moves the other by about (1 + 0.5) / (1 + 0.21); a mean of 12 has an error of 0.04
    assert moved["odds ratio, the factor missing from the records"] > 0.12
    assert abs(moved["odds ratio, the factor in the model (product)"]) < 0.12


def test_no_event_seen_bounds_the_risk_and_not_by_much_more_than_needed():
    """Zones nearly all alike, the risk just above the bound: as often as (1 − risk) to the power of the patients."""
    tally = kinds.ends(Cell("ends", 30, 0.12, "2-3", 1.0), np.random.default_rng(7))
    name = "no event seen and the truth above the bound (product)"
    share = tally[name]["truth above"] / tally[name]["asked"]
    expected = 0.88**30
    assert expected < 0.025
    assert share == pytest.approx(expected, abs=4 * np.sqrt(expected / 2000))


def test_each_new_study_has_cells_and_whole_blocks(tmp_path):
    for name, full in {**audits.FULL, **kinds.FULL}.items():
        assert full % study.BLOCK[name] == 0
        assert sum(c.study == name for c in cells()) >= 2
        assert len(study.tasks(tmp_path, {name}, aside=False, most=None)) == sum(
            full // study.BLOCK[name] for c in cells() if c.study == name and not c.kept_aside
        )
