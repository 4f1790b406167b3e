"""What a patient can be told: rounding outward, no claim of none, "cannot say" with what would answer it."""

from __future__ import annotations

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st
from small_clinic import small_clinic

from outcomes.estimates.estimate import Estimate, NotEstimable
from outcomes.questions.consent_figures import consent_figures
from outcomes.questions.published import SERIES, published_share
from outcomes.records.scope import Scope
from outcomes.wording import between_so_many, frequency_base, frequency_cell, frequency_text, in_so_many


@pytest.fixture(scope="module")
def finding(clinic, scope, protocol):
    return consent_figures(clinic, scope, protocol)


@given(st.floats(1e-6, 0.999), st.floats(0, 1), st.floats(0, 1), st.sampled_from([100, 1000]))
def test_limits_are_rounded_outward_and_never_to_none(value, down, up, base):
    low, high = value * down, value + (1 - value) * up
    text = between_so_many(low, high, base)
    numbers = [int(n.replace(",", "")) for n in re.findall(r"[\d,]+", text)]
    assert numbers.pop() == base
    assert numbers[-1] >= high * base - 1e-6
    assert numbers[-1] >= 1
    if len(numbers) == 2:
        assert 1 <= numbers[0] <= low * base + 1e-6
    else:
        assert low * base < 1 + 1e-6
    assert not in_so_many(value, base).startswith("0 ")
    assert in_so_many(value, base) != f"{base:,} in {base:,}"


def test_published_example_in_natural_frequencies():
    # 81 of 263: Wilson 0.2553 to 0.3662 (Newcombe RG, Stat Med 1998;17:857-872, table I)
    share = Estimate("a", 81 / 263, 0.2553, 0.3662, "Wilson", 263, unit="proportion")
    assert frequency_text(share) == "about 31 in 100; from 25 to 37 in 100 are compatible"
    # 1 of 29: Wilson 0.0061 to 0.1718 (the same table)
    share = Estimate("a", 1 / 29, 0.0061, 0.1718, "Wilson", 29, unit="proportion")
    assert frequency_cell(share) == "3 in 100 (up to 18)"
    assert frequency_base(0.0199) == 1000


def test_published_series_are_those_of_their_abstracts():
    # percentages as printed in the abstracts of the two sources that SERIES cites
    printed = {
        (490, "acne_milia"): 5.3, (490, "viral_infection"): 2.2, (490, "bacterial_infection"): 1.8,
        (490, "fungal_infection"): 1.2, (490, "hyperpigmentation"): 1.2, (490, "contact_dermatitis"): 0.8,
        (490, "scarring"): 0.0, (490, "hypopigmentation"): 0.0, (101, "hyperpigmentation"): 9.9,
        (101, "acne_milia"): 6.9, (101, "ectropion"): 0.9,
    }  # fmt: skip
    found = {}
    for series in SERIES:
        for outcome, _, _ in series.events:
            share, _ = published_share(series, outcome, 0.95)
            found[series.treatments, outcome] = share.value
            assert "doi:10." in series.citation
    assert found.keys() == printed.keys()
    for key, percentage in printed.items():
        assert abs(100 * found[key] - percentage) < 0.1  # abstracts cut as well as round


def test_true_risks_are_compatible_with_what_is_told(finding, truth):
    """True zone risks of the invented clinic, averaged over the mature quarters of each outcome, all regions."""
    for name, label in (
        ("acne_milia", "acne or milia by day 60"),
        ("hyperpigmentation", "hyperpigmentation by day 180"),
    ):
        quarters = truth["risks"][name]["by_quarter"].values()
        whole = sum(q["expected"] for q in quarters) / sum(q["zones"] for q in quarters)
        told = [a for a in finding.estimates if a.term.startswith(label) and "skin" not in a.term]
        lows = [a.low for a in told if isinstance(a, Estimate)]
        highs = [a.high for a in told if isinstance(a, Estimate)]
        assert min(lows) < whole < max(highs)


def test_darker_skin_types_carry_more_of_it(finding):
    forest = next(e for e in finding.exhibits if e.title.startswith("Hyperpigmentation by skin type"))
    values = [r.answer.value for r in forest.rows if isinstance(r.answer, Estimate)]
    assert values == sorted(values)
    assert len(values) >= 3


def test_no_sentence_or_cell_says_that_there_is_no_risk(finding):
    text = " ".join(
        [
            *finding.says,
            *finding.caveats,
            *(c for e in finding.exhibits for r in getattr(e, "rows", ()) for c in getattr(r, "cells", r)),
        ]
    ).lower()
    for never in (r"\bno risk", r"\bsafe", r"\b0 in 1", r"\bzero"):
        assert not re.search(never, text), never
    assert "none recorded (up to" in text
    assert len({a.term for a in finding.estimates}) == len(finding.estimates)


def test_where_few_came_back_it_says_who_would_have_to(clinic, scope, protocol):
    few = clinic.where(lambda z: z["patient_id"].isin(sorted(z["patient_id"].unique())[:60]), "sixty patients")
    finding = consent_figures(few, scope, protocol)
    unsaid = [a for a in finding.estimates if isinstance(a, NotEstimable) and "needed" in a.reason]
    assert unsaid
    for answer in unsaid:
        if "patient" in answer.reason:
            assert "would be answered by" in answer.note
            seen = re.match(r"(\d+) patients? seen", answer.reason)
            if seen:
                further = int(re.search(r"by (\d+) further", answer.note)[1])
                assert int(seen[1]) + further == protocol.fewest_seen
                assert int(seen[1]) == 0 or int(seen[1]) >= protocol.disclosure.smallest_count
    assert any(sentence.startswith("Cannot say for") for sentence in finding.says)


def test_a_handful_of_records_gets_no_figure(tmp_path, protocol):
    cases = small_clinic(tmp_path, [{}, {"zone": "neck"}])
    finding = consent_figures(cases, Scope.quarter("2026Q3", cases.last_date), protocol)
    grid = finding.exhibits[0]
    assert all(cell in ("cannot say", "held back", "–") for row in grid.rows for cell in row[1:])
    assert "No figure can be given: no zone has had its time." in finding.says
    assert all(math.isfinite(a.value) for a in finding.estimates if isinstance(a, Estimate))
