"""Designs: labels, references, levels without rows, columns without variation."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from outcomes.estimates.design import Category, Numeric, Spline, build
from outcomes.estimates.splines import restricted_cubic

SKIN = pd.CategoricalDtype(["I", "II", "III", "IV", "V", "VI"], ordered=True)


@pytest.fixture
def rows() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "energy_mj": [10.0, 20.0, 30.0, 40.0],
            "skin_type": pd.Series(["I", "II", "III", "II"], dtype=SKIN),
            "region": pd.array(["face", "neck", "face", "lid"], dtype="string"),
            "smoker": pd.array([True, False, False, True], dtype="boolean"),
            "passes": pd.array([1, 1, 2, 2], dtype="Int64"),
        }
    )


def test_columns_come_in_order_with_names_labels_and_steps(rows):
    design = build(
        rows,
        [
            Numeric("energy_mj", per=10, center=20),
            Category("region", "face", "region"),
            Numeric("smoker"),
            Numeric("passes"),
        ],
    )
    assert design.names == ("intercept", "energy_mj", "region[lid]", "region[neck]", "smoker", "passes")
    assert design.labels[:3] == ("intercept", "energy_mj, per 10", "region lid against face")
    assert design.term_of == ("", "energy_mj", "region", "region", "smoker", "passes")
    expected = [[1, -1, 0, 0, 1, 1], [1, 0, 0, 1, 0, 1], [1, 1, 0, 0, 0, 2], [1, 2, 1, 0, 1, 2]]
    assert design.matrix.tolist() == expected


def test_levels_without_rows_are_named_and_kept_out(rows):
    design = build(rows, [Category("skin_type", "II", "skin type")])
    assert design.names == ("intercept", "skin_type[I]", "skin_type[III]")
    assert design.empty == (
        "skin type IV against II", "skin type V against II", "skin type VI against II",
    )  # fmt: skip
    assert not np.any(np.all(design.matrix == 0, axis=0))


def test_a_reference_without_rows_is_replaced_and_said(rows):
    design = build(rows, [Category("skin_type", "VI", "skin type")])
    assert design.labels[1:] == ("skin type I against II", "skin type III against II")
    assert "skin type VI against II" in design.empty
    assert design.notes == ("skin type: no cases at VI, so levels are compared with II",)


def test_columns_without_variation_are_named_and_kept_out(rows):
    design = build(rows.assign(passes=1), [Numeric("passes", label="an extra pass"), Numeric("energy_mj")])
    assert design.constant == ("an extra pass",)
    assert design.names == ("intercept", "energy_mj")
    assert design.evaluate(rows).shape == (4, 2)


def test_levels_keep_their_order_whatever_the_rows(rows):
    forward = build(rows, [Category("skin_type", "II")])
    backward = build(rows.iloc[::-1], [Category("skin_type", "II")])
    assert forward.names == backward.names
    assert np.array_equal(forward.matrix, backward.matrix[::-1])


def test_words_for_levels(rows):
    design = build(rows, [Category("region", "face", level_labels={"neck": "the neck", "face": "the face"})])
    assert design.labels[1:] == ("region lid against the face", "region the neck against the face")


def test_evaluate_makes_the_same_columns_for_other_rows(rows):
    terms = [Spline("energy_mj", (12, 25, 38)), Category("skin_type", "II"), Numeric("smoker")]
    design = build(rows, terms)
    assert np.array_equal(design.evaluate(rows), design.matrix)
    other = rows.assign(energy_mj=33.0)
    assert design.evaluate(other)[:, 1:3] == pytest.approx(restricted_cubic([33.0] * 4, (12, 25, 38)))
    with pytest.raises(ValueError, match="no column for"):
        design.evaluate(rows.assign(skin_type=pd.Series(["V"] * 4, dtype=SKIN)))


def test_spline_columns_are_found_together_and_not_reported_one_by_one(rows):
    design = build(rows, [Spline("energy_mj", (12, 25, 38), "energy"), Numeric("smoker")])
    assert design.columns_of("energy_mj") == (1, 2)
    assert design.reported == (False, False, False, True)
    with pytest.raises(KeyError):
        design.columns_of("density")


@pytest.mark.parametrize(
    ("term", "change", "message"),
    [
        (Numeric("energy_mj"), {"energy_mj": [1.0, None, 3.0, 4.0]}, "1 missing"),
        (Numeric("smoker"), {"smoker": pd.array([True, None, False, True], dtype="boolean")}, "1 missing"),
        (Numeric("energy_mj"), {"energy_mj": ["1", "2", "3", "4"]}, "must be a number"),
        (Numeric("energy_mj"), {"energy_mj": [1.0, np.inf, 3.0, 4.0]}, "infinite"),
        (Category("region", "chest"), {}, "reference is not among"),
        (Category("region", "face", levels=("face", "neck")), {}, "not declared"),
        (Category("region", "face", levels=("face", "neck", "lid", "neck")), {}, "declared twice"),
        (Numeric("absent"), {}, "no such column"),
    ],
)
def test_faults_are_refused(rows, term, change, message):
    with pytest.raises(ValueError, match=message):
        build(rows.assign(**change), [term])


def test_a_column_enters_once(rows):
    with pytest.raises(ValueError, match="enters a design once"):
        build(rows, [Numeric("energy_mj"), Spline("energy_mj", (1, 2, 3))])


def test_no_rows_make_no_columns(rows):
    design = build(rows.iloc[:0], [Numeric("energy_mj"), Category("skin_type", "II")])
    assert design.matrix.shape == (0, 1)
    assert len(design.constant) == 1
    assert len(design.empty) == 5
