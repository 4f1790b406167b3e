"""Adjusted p values against the published examples."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from outcomes.estimates.estimate import NotEstimable
from outcomes.estimates.multiplicity import benjamini_hochberg, holm, with_adjusted
from outcomes.estimates.proportion import proportion

# Benjamini Y, Hochberg Y (1995) J R Stat Soc B 57:289-300, section 3.2: fifteen p values, of which their procedure
# rejects the first four at 0.05 and Bonferroni the first three.
PAPER = (
    0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.0,
)  # fmt: skip


def test_the_papers_fifteen():
    assert sum(p <= 0.05 for p in benjamini_hochberg(PAPER)) == 4
    assert sum(p <= 0.05 for p in holm(PAPER)) == 3


@pytest.mark.parametrize("item", ["mult.bh1995", "mult.order_ties"])
@pytest.mark.parametrize(("method", "name"), [(benjamini_hochberg, "BH"), (holm, "holm")])
def test_adjusted_as_in_r(reference, item, method, name):
    # Bonferroni, Hochberg, Hommel and BY are not computed by the package.
    data, expected = reference.item(item)["data"]["p"], reference.item(item)["expected"][name]
    adjusted = method(data)
    assert [p is None for p in adjusted] == [p is None for p in expected]
    known = [(a, b) for a, b in zip(adjusted, expected, strict=True) if b is not None]
    assert [a for a, _ in known] == pytest.approx([b for _, b in known], rel=1e-10)


def test_missing_entries_are_no_tests():
    # R 4.2: p.adjust(c(0.04, NA, 0.01), "BH"), p.adjust(..., "holm")
    assert benjamini_hochberg([0.04, None, 0.01]) == pytest.approx([0.04, None, 0.02])
    assert holm([0.04, None, 0.01]) == pytest.approx([0.04, None, 0.02])
    assert benjamini_hochberg([]) == []


def test_answers_keep_their_order():
    from dataclasses import replace

    tested = replace(proportion(3, 10, term="a"), p_value=0.03)
    other = replace(proportion(4, 10, term="b"), p_value=0.01)
    silent = NotEstimable("c", "no cases", n=0)
    answers = with_adjusted([tested, silent, proportion(1, 9, term="d"), other])
    assert [a.term for a in answers] == ["a", "c", "d", "b"]
    assert answers[0].p_adjusted == pytest.approx(0.03)
    assert answers[2].p_adjusted is None
    assert answers[3].p_adjusted == pytest.approx(0.02)
    with pytest.raises(ValueError, match="method"):
        with_adjusted([tested], "bonferroni")


@given(st.lists(st.one_of(st.none(), st.floats(1e-300, 1.0)), max_size=20))
def test_adjusting_never_helps_and_keeps_the_order(p):
    for method in (benjamini_hochberg, holm):
        adjusted = method(p)
        known = [(a, b) for a, b in zip(p, adjusted, strict=True) if a is not None]
        assert all(a <= b * (1 + 1e-12) and 0 < b <= 1 for a, b in known)
        by_size = [b for _, b in sorted(known)]
        assert by_size == sorted(by_size)
    assert all(a is None or a <= b * (1 + 1e-12) for a, b in zip(benjamini_hochberg(p), holm(p), strict=True))
