"""Settings within and between practitioners, and where they overlap: worked by hand, and against R."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from outcomes.estimates.estimate import Estimate, NotEstimable
from outcomes.protocol import SETTINGS, Protocol
from outcomes.questions.population import Population
from outcomes.questions.settings_exhibits import region_forest, region_rows
from outcomes.questions.settings_model import Modelled, model_outcome, settings_population
from outcomes.questions.settings_split import Split, split_columns, split_effects
from outcomes.questions.settings_support import best_step, overlaps, patients_beside, rung_for
from outcomes.questions.settings_verdict import judge
from outcomes.records.vocabulary import OUTCOME

DENSITY = next(s for s in SETTINGS if s.column == "density_pct")


def _drawn_clinic():
    """216 zones of six practitioners, drawn with Lehmer's generator (multiplier 16807) from 7."""
    state = 7

    def uniform():
        nonlocal state
        state = state * 16807 % 2147483647
        return state / 2147483647

    rows = []
    for person, base in (("A", 8), ("B", 10), ("C", 13), ("D", 9), ("E", 12), ("F", 11)):
        for zone, more in (("cheek", 0), ("forehead", 2), ("nose", -1)):
            for k in range(12):
                density = base + more + round(8 * uniform()) - 4
                energy, passes = 12 + round(20 * uniform()), 1 + (uniform() < 0.4)
                risk = 0.15 + 0.04 * (density - base - more) + 0.15 * (person in "CE")
                rows.append((person, zone, f"{person}{zone[0]}{k // 2}", density, energy, passes, uniform() < risk))
    names = ["practitioner_id", "zone", "patient_id", "density_pct", "pulse_energy_mj", "passes", "event"]
    return pd.DataFrame(rows, columns=names)


def test_the_three_parts_are_means_and_what_is_left():
    frame = pd.DataFrame(
        {
            "practitioner_id": ["A", "A", "B", "B", "A"],
            "zone": ["cheek", "cheek", "cheek", "cheek", "neck"],
            "density_pct": [8.0, 12.0, 14.0, 18.0, 5.0],
        }
    )
    parts = split_columns(frame, DENSITY)
    assert parts["density_pct_of_zone"].tolist() == [13, 13, 13, 13, 5]
    assert parts["density_pct_between"].tolist() == [-3, -3, 3, 3, 0]
    assert parts["density_pct_within"].tolist() == [-2, 2, -2, 2, 0]


def test_parts_are_those_of_r():
    """R 4.2.2, brglm2 0.9, the same rows with the zone as a factor:

    glm(event ~ I(energy_w/10) + I(energy_b/10) + I(density_w/5) + I(density_b/5) + passes_w + passes_b + zone,
    binomial, method = "brglm_fit", type = "AS_mean"). Three zones are told by two of the three means of a zone.
    """
    frame = _drawn_clinic()
    event = frame["event"].to_numpy(dtype=bool)
    assert event.sum() == 43
    loose = replace(Protocol(), fewest_patients_beside=1)
    found = split_effects(frame, event, (), loose)
    assert found["density_pct"].within.value == pytest.approx(1.445705204, rel=1e-6)
    assert found["density_pct"].between.value == pytest.approx(4.452902734, rel=1e-6)
    assert found["pulse_energy_mj"].within.value == pytest.approx(1.747251976, rel=1e-6)
    assert found["passes"].within.value == pytest.approx(1.239582290, rel=1e-6)
    # practitioners hardly differ in energy or passes: 0.98 and 0.31 in R, not stated here
    for column in ("pulse_energy_mj", "passes"):
        assert "less than half the step" in found[column].between.reason


def test_the_part_between_is_as_sure_as_there_are_practitioners():
    """Six practitioners and three settings: t on 2 degrees of freedom; of three practitioners nothing can be said."""
    frame = _drawn_clinic()
    event = frame["event"].to_numpy(dtype=bool)
    loose = replace(Protocol(), fewest_patients_beside=1)
    between = split_effects(frame, event, (), loose)["density_pct"].between
    assert isinstance(between, Estimate)
    assert between.method.endswith("t on 2 df")
    three = frame["practitioner_id"].isin(["A", "B", "C"])
    refused = split_effects(frame[three], event[three], (), loose)["density_pct"].between
    assert isinstance(refused, NotEstimable)
    assert refused.reason == "3 practitioners are too few for a part between them, with 3 settings in the model"


def test_one_practitioner_has_no_part_between():
    frame = _drawn_clinic().assign(practitioner_id="A")
    found = split_effects(frame, frame["event"].to_numpy(dtype=bool), (), Protocol())
    assert found["density_pct"].between.reason == "one practitioner only"
    assert isinstance(found["density_pct"].within, Estimate)


def test_no_split_without_events_enough():
    frame = _drawn_clinic()
    event = np.zeros(len(frame), dtype=bool)
    event[:4] = True
    found = split_effects(frame, event, (), Protocol())
    assert all("patients with events" in found[s.column].within.reason for s in SETTINGS)


def _odds_ratio(value, low, high):
    return Estimate("x", value, low, high, "m", 100, unit="odds ratio", p_value=0.001, p_adjusted=0.01)


_NONE = NotEstimable("x", "one practitioner only", n=100)


@pytest.mark.parametrize(
    ("whole", "within", "between", "word"),
    [
        ((1.6, 1.2, 2.1), (1.5, 1.1, 2.0), (2.0, 0.8, 5.0), "associated"),
        ((1.6, 1.2, 2.1), (0.9, 0.6, 1.4), (3.0, 1.5, 6.0), "not shown"),
        ((1.6, 1.2, 2.1), (1.7, 1.2, 2.4), (0.8, 0.3, 2.0), "not shown"),
        ((1.6, 1.2, 2.1), (1.5, 1.1, 2.0), None, "associated"),
        ((1.6, 1.2, 2.1), None, (1.5, 1.1, 2.0), "cannot say"),
        ((1.2, 0.9, 1.6), (1.5, 1.1, 2.0), (1.5, 1.1, 2.0), "not shown"),
        (None, (1.5, 1.1, 2.0), (1.5, 1.1, 2.0), "cannot say"),
    ],
)
def test_associated_only_where_the_whole_says_so_and_both_parts_agree(whole, within, between, word):
    whole, within, between = (_NONE if part is None else _odds_ratio(*part) for part in (whole, within, between))
    modelled = Modelled(
        OUTCOME["hyperpigmentation"], Population(pd.DataFrame()), np.zeros(0, dtype=bool), "",
        effects={"density_pct": whole}, split={"density_pct": Split(within, between)},
    )  # fmt: skip
    assert judge(modelled, DENSITY).word == word


def test_a_step_is_placed_where_most_patients_stand_on_either_side():
    frame = pd.DataFrame({"patient_id": list("abcdefgh"), "density_pct": [5, 5, 6, 8, 10, 10, 11, 14]})
    place = best_step(frame, "density_pct", 5.0)
    # 5 to 10 has two patients below and four above, 6 to 11 three and two; the latter lies nearer the median of 9
    assert (place.low, place.fewer) == (6.0, 2)
    assert patients_beside(frame.assign(density_pct=7.0), "density_pct", 5.0) == 0


def _two_styles():
    """Practitioner A uses 5 and 10 %, B only 10 %; all skin types of A use both."""
    rows = [("A", f"a{i}", 5.0 if i % 2 else 10.0, "I–II" if i < 20 else "III") for i in range(40)]
    rows += [("B", f"b{i}", 10.0, "I–II") for i in range(30)]
    frame = pd.DataFrame(rows, columns=["practitioner_id", "patient_id", "density_pct", "skin_group"])
    return frame.assign(region="face", skin_group=pd.Categorical(frame["skin_group"], ["I–II", "III"], ordered=True))


def test_zones_of_a_practitioner_who_never_uses_one_end_do_not_speak():
    place = overlaps(_two_styles(), DENSITY, Protocol())["face"]
    assert (place.low, place.practitioners, place.practitioners_without) == (5.0, ("A",), ("B",))
    assert place.skin == ("I–II", "III")
    assert place.zones.sum() == 40
    assert place.words == "2 of 2, 1 of 2"


def test_nothing_overlaps_where_settings_follow_the_practitioner():
    frame = _two_styles()
    apart = frame.assign(density_pct=np.where(frame["practitioner_id"] == "A", 5.0, 10.0))
    place = overlaps(apart, DENSITY, Protocol())["face"]
    assert place.low == 5.0
    assert place.zones.sum() == 0
    assert overlaps(apart, DENSITY, Protocol())["eyelid"].low is None


def test_the_ladder_counts_whichever_answer_is_rarer():
    patients = np.array([str(i) for i in range(100)])
    event = np.ones(100, dtype=bool)
    event[:12] = False
    assert rung_for(4, patients, event).reason == "4 parameters on 12 non-events of 12 patients"
    assert rung_for(5, patients, event).rung == "rates only"


def test_regions_that_cannot_say_keep_their_few_events_to_themselves(clinic, scope, protocol):
    outcome = OUTCOME["hyperpigmentation"]
    population = settings_population(clinic, scope.end, scope.as_of, outcome, protocol)
    modelled = model_outcome(population, outcome, protocol, split=False, profile=())
    rows = region_rows(population, modelled, protocol)
    silent = [row for row in rows if isinstance(row.answer, NotEstimable)]
    assert silent
    assert all(row.answer.events is None and "there are" not in row.answer.reason for row in silent)
    forest = region_forest([modelled], {outcome.name: rows})
    assert all(row.cells[0] == "–" for row in forest.rows if isinstance(row.answer, NotEstimable))
    spoken = [row for row in rows if isinstance(row.answer, Estimate)]
    assert [row.answer.events for row in spoken] == [row.events for row in spoken]
