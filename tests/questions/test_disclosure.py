"""A reader who adds, subtracts and knows the rules tries to work out a count that was held back, and fails.

The rule that counts under five are held back with complementary cells is common practice without a source for this
trade; that a set of held-back cells must not be solvable is the definition of the thing (Cox LH, J Am Stat Assoc
1980;75:377-385, doi:10.1080/01621459.1980.10477481, "suppression methodology and statistical disclosure control").
"""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog

from outcomes.estimates.estimate import Estimate, NotEstimable
from outcomes.estimates.proportion import clustered_proportion
from outcomes.protocol import Protocol
from outcomes.questions.disclosure import (
    Sum,
    held,
    held_back,
    held_sentence,
    is_guarded,
    peers_reason,
    upper_bound,
    withheld,
)

COMMITTEE = Protocol()
CLINIC = replace(COMMITTEE, audience="clinic")


def _possible(counts, hidden, sums, target, unprinted=()):
    """Smallest and largest value of a hidden cell that fits all sums and the reasons printed, by linear programming."""
    names = sorted(hidden)
    rows, right = [], []
    for one in sums:
        signs = one.signs()
        rows.append([signs.get(i, 0) for i in names])
        right.append(sum(sign * counts[i] for i, sign in signs.items() if i in hidden))
    bounds = [
        (0, None) if i in unprinted else (1, 4) if 1 <= counts[i] <= 4 else (5 if counts[i] else 0, None) for i in names
    ]
    goal = np.array([1.0 if i == target else 0.0 for i in names])
    ends = [linprog(sign * goal, A_eq=rows, b_eq=right, bounds=bounds) for sign in (1, -1)]
    assert all(end.status in (0, 3) for end in ends)  # found, or without bound
    return tuple(sign * end.fun if end.status == 0 else sign * -np.inf for sign, end in zip((1, -1), ends, strict=True))


def test_one_small_count_of_a_printed_total_takes_another_with_it():
    assert held_back((3, 40, 25, 0), [Sum((0, 1, 2, 3))], COMMITTEE) == {0, 2}


def test_a_further_cell_that_leaves_no_choice_is_not_enough():
    # 1 and 5: a reader who knows that one is under five and the other not would find 6 = 1 + 5
    assert held_back((1, 5, 40), [Sum((0, 1, 2))], COMMITTEE, order=(1, 2, 0)) == {0, 1, 2}
    # two counts of one give themselves away by their sum of two
    assert held_back((1, 1, 40, 9), [Sum((0, 1, 2, 3))], COMMITTEE) == {0, 1, 3}
    # and two of four by their sum of eight
    assert held_back((4, 4, 40, 9), [Sum((0, 1, 2, 3))], COMMITTEE) == {0, 1, 3}


def test_nothing_small_holds_nothing_back_and_the_clinic_sees_all():
    assert held_back((5, 0, 40), [Sum((0, 1, 2))], COMMITTEE) == frozenset()
    assert held_back((3, 0, 40), [Sum((0, 1, 2))], CLINIC) == frozenset()


def test_what_only_a_subtraction_would_show_is_protected():
    # a period of 40 and a part of it of 38: the two of the rest are printed nowhere and must not follow
    whole_part_rest = (40, 38, 2)
    back = held_back(whole_part_rest, [Sum((1, 2), whole=0)], COMMITTEE, unprinted=(2,))
    assert back
    low, high = _possible(whole_part_rest, back | {2}, [Sum((1, 2), whole=0)], 2, unprinted={2})
    assert low <= 1
    assert high >= 4


@settings(max_examples=300, deadline=None)
@given(st.lists(st.integers(0, 60), min_size=2, max_size=9))
def test_no_total_less_its_parts_narrows_a_small_count(counts):
    sums = [Sum(tuple(range(len(counts))))]
    back = held_back(counts, sums, COMMITTEE)
    small = {i for i, c in enumerate(counts) if 1 <= c <= 4}
    assert small <= back
    if not is_guarded(counts, sums, back, COMMITTEE):
        assert all(i in back for i, c in enumerate(counts) if c)  # there was nothing more to hold back
        return
    for i in small:
        low, high = _possible(counts, back, sums, i)
        assert low <= 1 + 1e-6
        assert high >= 4 - 1e-6


def _two_way(rows):
    """Practitioner by region: parts, then the whole of each practitioner, with the totals of all printed."""
    n, width = len(rows), len(rows[0])
    cells = [c for row in rows for c in row] + [sum(row) for row in rows]
    sums = [Sum(tuple(range(r * width, (r + 1) * width)), whole=n * width + r) for r in range(n)]
    sums += [Sum(tuple(range(c, n * width, width))) for c in range(width)]
    sums.append(Sum(tuple(range(n * width, n * width + n))))
    return cells, sums


@settings(max_examples=200, deadline=None)
@given(
    st.integers(2, 3).flatmap(
        lambda width: st.lists(st.lists(st.integers(0, 30), min_size=width, max_size=width), min_size=4, max_size=8)
    ),
    st.booleans(),
)
def test_no_two_way_table_is_solvable(rows, last_unprinted):
    cells, sums = _two_way(rows)
    width = len(rows[0])
    unprinted = set(range(width - 1, len(rows) * width, width)) if last_unprinted else set()
    back = held_back(cells, sums, COMMITTEE, unprinted=unprinted)
    if not is_guarded(cells, sums, back, COMMITTEE, unprinted=unprinted):
        return
    for i in (i for i, c in enumerate(cells) if 1 <= c <= 4):
        low, high = _possible(cells, back | unprinted, sums, i, unprinted)
        assert high - low >= 3 - 1e-6  # four numbers at least


def test_a_reader_who_runs_the_rule_backwards_finds_more_than_one_table():
    """All tables of three cells that add up to at most 12, by what is printed of them."""
    sums = [Sum((0, 1, 2))]
    told: dict[tuple, set[tuple[int, ...]]] = {}
    for counts in itertools.product(range(13), repeat=3):
        if sum(counts) > 12 or not (back := held_back(counts, sums, COMMITTEE)):
            continue
        guarded = is_guarded(counts, sums, back, COMMITTEE)
        words = [
            c if i not in back else "either" if not guarded else "small" if 1 <= c <= 4 else "other"
            for i, c in enumerate(counts)
        ]
        told.setdefault((*words, sum(counts)), set()).add(counts)
    assert len(told) > 50
    found_out = [
        (printed, tables)
        for printed, tables in told.items()
        for i, word in enumerate(printed[:-1])
        if word in ("small", "either") and len({table[i] for table in tables}) == 1
    ]
    assert found_out == []


@pytest.mark.parametrize("events", [1, 2, 3, 4])
def test_an_answer_on_few_events_keeps_no_number(events):
    share = clustered_proportion([1] * events + [0] * (200 - events), range(200), term="scarring, neck")
    (answer,) = withheld([share], COMMITTEE)
    assert isinstance(answer, NotEstimable)
    assert (answer.n, answer.patients, answer.events) == (200, None, None)
    # Clopper-Pearson, 4 of 200: 0.55 to 5.04 % (R 4.2, binom.test(4, 200)$conf.int)
    assert answer.reason == "fewer than 5 events: held back; up to 5.0 % compatible"
    assert (
        answer == withheld([clustered_proportion([1] * 4 + [0] * 196, range(200), term="scarring, neck")], COMMITTEE)[0]
    )
    assert withheld([share], CLINIC) == (share,)


def test_non_events_records_and_patients_count_too():
    nearly_all = clustered_proportion([1] * 38 + [0] * 2, range(40), term="seen")
    assert withheld([nearly_all], COMMITTEE)[0].reason == "fewer than 5 zones without the event: held back"
    few = clustered_proportion([0, 0, 0], range(3), term="few")
    assert withheld([few], COMMITTEE)[0].n is None
    one_patient = Estimate("one", 5.0, 4.0, 6.0, "m", 12, patients=2)
    assert withheld([one_patient], COMMITTEE)[0].reason == "fewer than 5 patients: held back"
    none, all_of_them = (clustered_proportion([v] * 40, range(40), term="t") for v in (0, 1))
    assert withheld([none, all_of_them], COMMITTEE) == (none, all_of_them)


def test_a_reason_that_names_a_small_count_goes_too():
    telling = NotEstimable("t", "2 patients with events, 12 needed", n=80, patients=40, events=2)
    (answer,) = withheld([telling], COMMITTEE)
    assert "2 patients" not in answer.reason
    assert held(telling, "held back").events is None


def test_the_bound_is_that_of_the_largest_count_held_back():
    # 4 of 25: Clopper-Pearson upper limit 36.08 % (R 4.2, binom.test(4, 25)$conf.int)
    assert upper_bound(25, COMMITTEE) == "up to 36.1 % compatible"
    assert upper_bound(4, COMMITTEE) == ""
    assert upper_bound(None, COMMITTEE) == ""


def test_peers_are_pooled_only_where_none_of_them_shows():
    assert peers_reason((40, 30, 30), COMMITTEE) == ""
    assert "at least three others" in peers_reason((40, 30, 0), COMMITTEE)
    assert peers_reason((60, 20, 20), COMMITTEE) == ""
    assert "more than 60 %" in peers_reason((61, 20, 19), COMMITTEE)
    assert "at least three others" in peers_reason((), COMMITTEE)


def test_the_sentence_counts_rows():
    assert held_sentence(0, "row", COMMITTEE) == ""
    assert held_sentence(1, "row", COMMITTEE).startswith("In 1 row numbers")
