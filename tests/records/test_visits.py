"""What follow-up showed, by hand: intervals, onset days, free days, and what the zones table says itself."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from outcomes.records.mapping import Mapped
from outcomes.records.typed import typed
from outcomes.records.visits import add_follow_up
from outcomes.records.vocabulary import OUTCOMES, REGIONS, ZONES

Rows = list[dict[str, object]]


def text_frame(rows: Rows) -> pd.DataFrame:
    columns = list(dict.fromkeys(name for row in rows for name in row))
    cells = {c: [None if row.get(c) is None else str(row[c]) for row in rows] for c in columns}
    return pd.DataFrame(cells, dtype="string")


def zones(*rows: dict[str, object]) -> pd.DataFrame:
    filled = [
        {"record_id": f"R{i}", "session_id": f"S{i}", "patient_id": f"P{i}", "zone": "cheek", **row}
        for i, row in enumerate(rows, start=1)
    ]
    frame = typed(Mapped("zones", text_frame(filled), list(range(2, len(rows) + 2)), {}, (), ())).frame
    region = frame["zone"].astype("object").map({zone: region for zone, (_, region) in ZONES.items()})
    return frame.assign(region=pd.Series(region, dtype=pd.CategoricalDtype(list(REGIONS))))


def visits(*rows: dict[str, object]) -> pd.DataFrame:
    filled = [{"record_id": "R1", "contact": "in_person", **row} for row in rows]
    return typed(Mapped("visits", text_frame(filled), list(range(2, len(rows) + 2)), {}, (), ())).frame


NO_VISITS = visits({"record_id": "nobody", "day": 1}).iloc[:0]


def interval(frame: pd.DataFrame, what: str, row: int = 0) -> tuple[float | None, float | None]:
    ends = [frame[f"{what}_{end}_day"].iloc[row] for end in ("after", "by")]
    return (None if pd.isna(ends[0]) else float(ends[0]), None if pd.isna(ends[1]) else float(ends[1]))


def state(frame: pd.DataFrame, name: str, row: int = 0) -> tuple[object, ...]:
    """Answer, onset day, free day, severity; None where missing."""
    cells = [frame[f"{name}{end}"].iloc[row] for end in ("", "_day", "_free_day", "_severity")]
    return tuple(None if pd.isna(cell) else (bool(cell) if i == 0 else int(cell)) for i, cell in enumerate(cells))


class TestHealingInterval:
    def test_between_the_last_unhealed_and_the_first_healed_visit(self) -> None:
        seen = visits(
            {"day": 9, "healed": "true"},  # out of order on purpose
            {"day": 3, "healed": "false"},
            {"day": 6, "healed": "false"},
            {"day": 14, "healed": "true"},
            {"day": 7},  # healing not answered
        )
        frame, notes = add_follow_up(zones({}), seen)
        assert interval(frame, "healed") == (6.0, 9.0)
        assert frame["last_seen_day"].tolist() == [14]
        assert notes == ()

    def test_healed_at_the_first_visit_lies_between_treatment_and_it(self) -> None:
        frame, _ = add_follow_up(zones({}), visits({"day": 5, "healed": "true"}))
        assert interval(frame, "healed") == (0.0, 5.0)

    def test_never_seen_healed_and_never_assessed(self) -> None:
        seen = visits({"day": 4, "healed": "false"}, {"day": 8, "healed": "false"}, {"record_id": "R2", "day": 30})
        frame, _ = add_follow_up(zones({}, {}, {}), seen)
        assert interval(frame, "healed", 0) == (8.0, None)
        assert interval(frame, "healed", 1) == (None, None)
        assert interval(frame, "healed", 2) == (None, None)
        assert frame["last_seen_day"].tolist()[:2] == [8, 30]
        assert frame["last_seen_day"].isna().tolist() == [False, False, True]

    def test_unhealed_after_healed_takes_the_first_healed_day_and_counts_it(self) -> None:
        seen = visits(
            {"day": 5, "healed": "false"},
            {"day": 7, "healed": "true"},
            {"day": 10, "healed": "false"},
            {"day": 12, "healed": "true"},
        )
        frame, notes = add_follow_up(zones({}), seen)
        assert interval(frame, "healed") == (5.0, 7.0)
        assert len(notes) == 1
        assert "healing" in notes[0]
        assert "1 zone;" in notes[0]

    def test_both_answers_on_one_day_never_give_an_empty_interval(self) -> None:
        seen = visits({"day": 7, "healed": "true"}, {"day": 7, "healed": "false"}, {"day": 4, "healed": "false"})
        frame, notes = add_follow_up(zones({}), seen)
        assert interval(frame, "healed") == (4.0, 7.0)
        assert len(notes) == 1

    @pytest.mark.parametrize("contact", ["phone", "photo", "video", "in_person", None])
    def test_every_kind_of_contact_can_tell_healing(self, contact: str | None) -> None:
        frame, _ = add_follow_up(zones({}), visits({"day": 6, "healed": "true", "contact": contact}))
        assert interval(frame, "healed") == (0.0, 6.0)

    def test_the_day_of_treatment_is_placed_within_the_first_day(self) -> None:
        frame, notes = add_follow_up(zones({}), visits({"day": 0, "healed": "true"}))
        assert interval(frame, "healed") == (0.0, 1.0)
        assert "within the first day" in notes[0]


class TestRednessInterval:
    def test_yes_means_still_red(self) -> None:
        seen = visits({"day": 10, "redness": "true"}, {"day": 31, "redness": "true"}, {"day": 60, "redness": "false"})
        frame, _ = add_follow_up(zones({}), seen)
        assert interval(frame, "red") == (31.0, 60.0)

    def test_a_phone_call_does_not_show_that_redness_has_gone(self) -> None:
        seen = visits(
            {"day": 10, "redness": "true"},
            {"day": 40, "redness": "false", "contact": "phone"},
            {"day": 50, "redness": "false", "contact": None},
        )
        frame, _ = add_follow_up(zones({}), seen)
        assert interval(frame, "red") == (10.0, None)


class TestWhatTheZonesTableSays:
    def test_its_interval_stands_and_visits_fill_the_others(self) -> None:
        table = zones({"healed_after_day": 7, "healed_by_day": 7}, {})
        seen = visits(
            {"day": 5, "healed": "false"},
            {"day": 9, "healed": "true"},
            {"record_id": "R2", "day": 5, "healed": "true"},
        )
        frame, notes = add_follow_up(table, seen)
        assert interval(frame, "healed", 0) == (7.0, 7.0)
        assert interval(frame, "healed", 1) == (0.0, 5.0)
        assert notes == ()

    def test_intervals_that_cannot_both_be_true_are_counted(self) -> None:
        table = zones({"healed_after_day": 3, "healed_by_day": 4})
        frame, notes = add_follow_up(table, visits({"day": 8, "healed": "false"}))
        assert interval(frame, "healed") == (3.0, 4.0)
        assert notes == ("healing: zones table and visits disagree in 1 zone; the zones table stands",)

    def test_only_the_healed_day_means_from_treatment(self) -> None:
        frame, _ = add_follow_up(zones({"healed_by_day": 9}, {"healed_after_day": 9}), NO_VISITS)
        assert interval(frame, "healed", 0) == (0.0, 9.0)
        assert interval(frame, "healed", 1) == (9.0, None)

    def test_flat_answers_are_free_until_last_seen(self) -> None:
        table = zones(
            {"scarring": "false", "last_seen_day": 120},
            {"scarring": "true", "scarring_day": 95, "scarring_severity": 2, "last_seen_day": 120},
            {"last_seen_day": 120},
            {"scarring": "false"},
        )
        frame, notes = add_follow_up(table, NO_VISITS)
        assert [state(frame, "scarring", i) for i in range(4)] == [
            (False, None, 120, None),
            (True, 95, None, 2),
            (None, None, None, None),
            (False, None, None, None),
        ]
        assert notes == ()

    def test_an_event_recorded_once_counts_whoever_says_no(self) -> None:
        table = zones({"scarring": "false", "last_seen_day": 20}, {"scarring": "true", "scarring_day": 100})
        seen = visits(
            {"day": 110, "scarring": "true", "scarring_severity": 3},
            {"record_id": "R2", "day": 90, "scarring": "false"},
            {"record_id": "R2", "day": 200, "scarring": "false"},
        )
        frame, notes = add_follow_up(table, seen)
        assert state(frame, "scarring", 0) == (True, 110, None, 3)
        assert state(frame, "scarring", 1) == (True, 100, 90, None)
        assert frame["last_seen_day"].tolist() == [110, 200]
        assert any("scarring" in note and "2 zones" in note for note in notes)
        assert any("last day seen" in note and "1 zone," in note for note in notes)


class TestComplications:
    def test_onset_free_day_and_worst_severity(self) -> None:
        seen = visits(
            {"day": 7, "acne_milia": "false"},
            {"day": 14, "acne_milia": "false"},
            {"day": 21, "acne_milia": "true", "acne_milia_severity": 1},
            {"day": 30, "acne_milia": "true", "acne_milia_severity": 2},
            {"day": 60, "acne_milia": "false"},
        )
        frame, _ = add_follow_up(zones({}), seen)
        assert state(frame, "acne_milia") == (True, 21, 14, 2)

    def test_a_no_by_phone_rules_out_only_what_a_phone_can_tell(self) -> None:
        seen = visits(
            {"day": 100, "scarring": "false", "bacterial_infection": "false", "contact": "phone"},
            {"day": 50, "scarring": "false", "contact": "photo"},
            {"day": 120, "scarring": "false", "contact": None},
        )
        frame, _ = add_follow_up(zones({}), seen)
        assert state(frame, "scarring") == (False, None, 50, None)
        assert state(frame, "bacterial_infection") == (False, None, 100, None)

    def test_only_a_phone_call_leaves_pigment_unknown(self) -> None:
        seen = visits({"day": 100, "hyperpigmentation": "false", "contact": "phone"})
        frame, _ = add_follow_up(zones({}), seen)
        assert state(frame, "hyperpigmentation") == (None, None, None, None)

    def test_an_event_by_phone_counts(self) -> None:
        seen = visits({"day": 100, "hyperpigmentation": "true", "contact": "phone"})
        frame, _ = add_follow_up(zones({}), seen)
        assert state(frame, "hyperpigmentation") == (True, 100, None, None)

    def test_a_complication_of_the_session_is_taken_for_all_its_zones(self) -> None:
        table = zones({"session_id": "S1"}, {"session_id": "S1"}, {"session_id": "S2"})
        seen = visits(
            {"record_id": "R1", "day": 0, "faint": "true", "faint_severity": 1, "scarring": "false"},
            {"record_id": "R3", "day": 1, "faint": "false"},
        )
        frame, _ = add_follow_up(table, seen)
        assert [state(frame, "faint", i) for i in range(3)] == [
            (True, 0, None, 1),
            (True, 0, None, 1),
            (False, None, 1, None),
        ]
        assert [state(frame, "scarring", i)[0] for i in range(3)] == [False, None, None]

    def test_a_session_complication_on_one_flat_row_counts_for_the_session(self) -> None:
        table = zones(
            {"session_id": "S1", "corneal_injury": "true", "corneal_injury_day": 1},
            {"session_id": "S1", "corneal_injury": "false", "last_seen_day": 9},
        )
        frame, notes = add_follow_up(table, NO_VISITS)
        assert [state(frame, "corneal_injury", i) for i in range(2)] == [(True, 1, None, None)] * 2
        assert notes == ("corneal injury: recorded for another zone of the session in 1 zone; it counts",)

    def test_infection_looked_for(self) -> None:
        seen = visits(
            {"day": 31, "infection_assessed": "false"},
            {"day": 40, "infection_assessed": "true"},
            {"record_id": "R2", "day": 31, "infection_assessed": "false"},
        )
        frame, _ = add_follow_up(zones({}, {}, {}), seen)
        assert frame["infection_assessed"].isna().tolist() == [False, False, True]
        assert frame["infection_assessed"].tolist()[:2] == [True, False]


class TestDerivedOutcomes:
    @pytest.mark.parametrize(
        ("zone", "after", "by", "answer"),
        [
            ("cheek", 14, 20, True),  # unhealed on day 14: later than 14
            ("cheek", 13, 20, None),  # may have healed on day 14
            ("cheek", 10, 14, False),
            ("cheek", 14, 14, False),  # a diary day: exactly 14 is not later than 14
            ("cheek", 15, 15, True),
            ("cheek", 14, None, True),
            ("cheek", 9, None, None),
            ("neck", 14, 20, False),
            ("neck", 21, 28, True),
            ("lower_lid", 14, 20, True),
            ("scar_other", 40, 50, None),  # no region, no limit
        ],
    )
    def test_delayed_healing(self, zone: str, after: int, by: int | None, answer: bool | None) -> None:
        row = {"zone": zone, "healed_after_day": after, "healed_by_day": by, "last_seen_day": 60}
        frame, _ = add_follow_up(zones(row), NO_VISITS)
        limit = {"cheek": 14, "lower_lid": 14, "neck": 21, "scar_other": None}[zone]
        day, free = (limit if answer else None), (60 if answer is False else None)
        assert state(frame, "delayed_healing") == (answer, day, free, None)

    @pytest.mark.parametrize(
        ("after", "by", "answer"), [(90, 120, True), (60, 90, False), (60, 120, None), (60, None, None)]
    )
    def test_prolonged_redness(self, after: int, by: int | None, answer: bool | None) -> None:
        row = {"red_after_day": after, "red_by_day": by, "last_seen_day": 120}
        frame, _ = add_follow_up(zones(row), NO_VISITS)
        day, free = (90 if answer else None), (120 if answer is False else None)
        assert state(frame, "prolonged_redness") == (answer, day, free, None)


def test_types_order_and_index_are_kept() -> None:
    table = zones({}, {}).iloc[::-1]
    frame, _ = add_follow_up(table, visits({"day": 5, "healed": "true", "scarring": "false"}))
    assert frame.index.tolist() == [1, 0]
    assert interval(frame, "healed", 1) == (0.0, 5.0)
    for outcome in OUTCOMES:
        assert str(frame[outcome.name].dtype) == "boolean"
        for end in ("_day", "_free_day", "_severity"):
            assert str(frame[f"{outcome.name}{end}"].dtype) == "Int64"
    for column in ("healed_after_day", "healed_by_day", "red_after_day", "red_by_day"):
        assert str(frame[column].dtype) == "Float64"
    assert frame.columns.is_unique


def test_the_order_of_visits_does_not_matter() -> None:
    generator = np.random.default_rng(7)
    table = zones(*({"session_id": f"S{i % 5}"} for i in range(20)))
    answers = np.array([None, "true", "false"], dtype=object)
    rows = [
        {
            "record_id": f"R{generator.integers(1, 21)}",
            "day": int(generator.integers(0, 40)),
            "contact": [None, "phone", "in_person"][generator.integers(3)],
            **{name: answers[generator.integers(3)] for name in ("healed", "redness", "scarring", "faint")},
        }
        for _ in range(150)
    ]
    seen = visits(*rows)
    one, first_notes = add_follow_up(table, seen)
    other, second_notes = add_follow_up(table, seen.sample(frac=1.0, random_state=3))
    pd.testing.assert_frame_equal(one, other)
    assert first_notes == second_notes
