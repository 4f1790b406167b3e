"""The invented clinic: the same bytes, the truth it claims, and nothing refused but what was planted."""

from __future__ import annotations

import hashlib
import json
import math
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from outcomes.records.cases import Cases
from outcomes.records.load import Checked, check
from outcomes.records.synthetic import FILES, clinic_files, clinic_folder, scenario, synthesize
from outcomes.records.synthetic.clinic import Clinic, simulate
from outcomes.records.synthetic.draws import Stream
from outcomes.records.synthetic.export import FINDINGS, OF_THE_DAY
from outcomes.records.synthetic.follow_up import AT_DISCHARGE
from outcomes.records.synthetic.outcomes_model import age_group, bridge
from outcomes.records.synthetic.truth import setting_log_odds, true_risk
from outcomes.records.vocabulary import OUTCOMES, SKIN_GROUPS


@pytest.fixture(scope="module")
def truth() -> dict[str, Any]:
    return json.loads(clinic_files()["truth"].read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def clinic() -> Clinic:
    return simulate()


@pytest.fixture(scope="module")
def checked() -> Checked:
    return _check(clinic_folder())


@pytest.fixture(scope="module")
def cases(checked: Checked) -> Cases:
    assert checked.cases is not None
    return checked.cases


def _check(folder: Path) -> Checked:
    return check(
        folder / FILES["zones"],
        sessions=folder / FILES["sessions"],
        layers=folder / FILES["layers"],
        visits=folder / FILES["visits"],
        mapping=folder / FILES["mapping"],
    )


def _digests(folder: Path) -> dict[str, str]:
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in sorted(folder.iterdir())}


def test_the_files_that_come_with_outcomes_are_made_again_byte_for_byte(tmp_path: Path) -> None:
    synthesize(tmp_path)
    assert _digests(tmp_path) == _digests(clinic_folder())


def test_every_complication_has_a_column_in_the_export() -> None:
    assert set(FINDINGS) == set(scenario.RISKS)
    assert tuple(OF_THE_DAY) == AT_DISCHARGE
    asked = {*FINDINGS, *OF_THE_DAY, "unplanned_contact", "complaint"}
    assert asked == {outcome.name for outcome in OUTCOMES if outcome.derived_from is None}


def test_the_files_stay_small() -> None:
    assert sum(path.stat().st_size for path in clinic_folder().iterdir()) < 4_000_000


def test_another_seed_is_another_clinic_and_the_same_seed_the_same(tmp_path: Path) -> None:
    for name, seed in (("a", 5), ("b", 5), ("c", 6)):
        synthesize(tmp_path / name, seed=seed, patients=60)
    a, b, c = (_digests(tmp_path / name) for name in "abc")
    assert a == b
    assert all(a[file] != c[file] for file in (FILES[t] for t in ("zones", "sessions", "visits", "truth")))
    assert a[FILES["mapping"]] == c[FILES["mapping"]]


def test_only_and_all_planted_rows_are_refused_and_each_by_the_rule_it_breaks(
    checked: Checked, truth: dict[str, Any]
) -> None:
    file_of = {table: FILES[table] for table in ("zones", "sessions", "layers", "visits")}
    planted = {(f["file"], f["row"]): (f["column"], f["kind"]) for f in truth["planted_faults"]}
    refused = {(file_of[table], int(row)) for table, row in checked.refused[["table", "row"]].itertuples(index=False)}
    assert refused == set(planted)
    reported = {(file_of[p.table], p.row): (p.column, p.kind) for p in checked.problems}
    assert reported == planted
    for table, file in file_of.items():
        count = checked.source.count(table)
        assert truth["files"][file] == {
            "rows_read": count.rows_read,
            "rows_accepted": count.rows_accepted,
            "rows_refused": count.rows_refused,
        }


def test_about_one_row_in_a_hundred_is_spoiled_in_many_ways(truth: dict[str, Any]) -> None:
    for file in (FILES["zones"], FILES["sessions"], FILES["visits"]):
        count = truth["files"][file]
        assert 0.007 < count["rows_refused"] / count["rows_read"] < 0.013
    assert len({fault["kind"] for fault in truth["planted_faults"]}) >= 10


def test_another_clinic_is_read_with_only_its_planted_rows_refused(tmp_path: Path) -> None:
    for seed in (1, 2):
        synthesize(tmp_path, seed=seed, patients=250)
        truth = json.loads((tmp_path / FILES["truth"]).read_text(encoding="utf-8"))
        found = _check(tmp_path)
        assert found.cases is not None
        assert len(found.refused) == len(truth["planted_faults"])


def test_a_clinic_without_faults_loses_no_row(tmp_path: Path) -> None:
    synthesize(tmp_path, seed=3, patients=120, with_faults=False)
    found = _check(tmp_path)
    assert found.problems == ()
    assert found.cases is not None
    assert len(found.cases) == sum(len(s.treatments) for s in simulate(3, 120).sessions)


def test_what_is_read_is_what_was_treated(cases: Cases, clinic: Clinic) -> None:
    read = cases.zones.set_index("record_id")
    treated = _treated(clinic)
    kept = treated.loc[read.index]
    for column in ("zone", "pulse_energy_mj", "density_pct", "passes", "spot_um", "practitioner_id", "site_id"):
        left = read[column].astype("object").where(read[column].notna(), None)
        if column == "site_id":  # zones of a refused session row have lost their site
            left = left.dropna()
        np.testing.assert_array_equal(left.to_numpy(), kept.loc[left.index, column].to_numpy(), err_msg=column)


def test_what_was_seen_agrees_with_what_happened(cases: Cases, clinic: Clinic) -> None:
    read = cases.zones.set_index("record_id")
    treated = _treated(clinic).loc[read.index]
    for prefix, days in (("healed", "healing_days"), ("red", "redness_days")):
        after, by = (read[f"{prefix}_{end}_day"].to_numpy(dtype=float, na_value=np.nan) for end in ("after", "by"))
        true = treated[days].to_numpy()
        assert (true[~np.isnan(after)] > after[~np.isnan(after)]).all()
        assert (true[~np.isnan(by)] <= by[~np.isnan(by)]).all()
        assert np.isfinite(by).mean() > 0.6
    for name in (*scenario.RISKS, "delayed_healing", "prolonged_redness"):
        said_yes = (read[name] == True).fillna(False).to_numpy(dtype=bool)  # noqa: E712
        assert treated[name].to_numpy()[said_yes].all(), name
    assert (read["hyperpigmentation"] == True).sum() > 200  # noqa: E712


def test_people_with_trouble_come_back_more(cases: Cases, clinic: Clinic) -> None:
    read = cases.zones.set_index("record_id")
    late = read["last_seen_day"].fillna(-1).to_numpy() >= 86
    mature = (pd.Timestamp(scenario.CUT_OFF) - read["treated_on"]).dt.days.to_numpy() >= 120
    trouble = _treated(clinic).loc[read.index, "hyperpigmentation"].to_numpy()
    assert late[mature & trouble].mean() - late[mature & ~trouble].mean() > 0.08


def test_reach_is_what_the_scenario_intends(truth: dict[str, Any]) -> None:
    # last seen on or after day 7, 30, 90, 180, 365: a practitioner's plausible shares, from memory
    intended = {"day_7": 0.92, "day_30": 0.80, "day_90": 0.58, "day_180": 0.35, "day_365": 0.15}
    for day, share in intended.items():
        assert truth["reach"][day]["share"] == pytest.approx(share, abs=0.04)


def test_events_are_as_many_as_the_risks_say(truth: dict[str, Any]) -> None:
    # Zones of one patient go together (a share 1 − φ² of the latent variance), which widens Poisson limits by a
    # design effect that stays below 2 with two or three zones a patient.
    for name, risk in truth["risks"].items():
        events, expected = risk["all"]["events"], risk["all"]["expected"]
        assert abs(events - expected) <= 3.5 * math.sqrt(2.0 * expected) + 1, name


def test_hyperpigmentation_rises_with_skin_type_as_intended(clinic: Clinic) -> None:
    risks: dict[str, list[float]] = {}
    for session in clinic.sessions:
        for treatment in session.treatments:
            group = SKIN_GROUPS[session.patient.skin_type]
            risks.setdefault(group, []).append(true_risk("hyperpigmentation", session, treatment))
    # plausible ranges per zone, from memory: I–II 1–3 %, III 5–8, IV 12–20, V–VI 20–35
    for group, (low, high) in {
        "I–II": (0.01, 0.03), "III": (0.05, 0.08), "IV": (0.12, 0.20), "V–VI": (0.20, 0.35),
    }.items():  # fmt: skip
        assert low <= float(np.mean(risks[group])) <= high, group


def test_settings_follow_risk(clinic: Clinic) -> None:
    face = [
        (scenario.SKIN_STEPS[s.patient.skin_type], t.settings.density_pct)
        for s in clinic.sessions
        for t in s.treatments
        if t.region == "face" and t.settings.spot_class == "narrow"
    ]
    dark = np.mean([density for step, density in face if step >= 2])
    fair = np.mean([density for step, density in face if step == 0])
    assert fair - dark > 1.0


def test_the_bridge_distribution_keeps_a_marginal_logistic_model_logistic() -> None:
    # Wang and Louis, Biometrika 2003;90:765-775: mean over b of expit(eta / phi + b) is expit(eta)
    u = (np.arange(200_000) + 0.5) / 200_000
    b = np.array([bridge(float(x)) for x in u])
    for eta in (-4.0, -2.0, 0.0, 1.5):
        mean = float((1.0 / (1.0 + np.exp(-(eta / scenario.FRAILTY_PHI + b)))).mean())
        assert mean == pytest.approx(1.0 / (1.0 + math.exp(-eta)), rel=2e-4)
    # its variance is (pi² / 3)(phi⁻² − 1), from the same paper
    assert float(b.var()) == pytest.approx(math.pi**2 / 3 * (scenario.FRAILTY_PHI**-2 - 1.0), rel=2e-3)


def test_time_ratios_and_odds_ratios_of_late_healing_say_the_same() -> None:
    clock = scenario.HEALING
    assert math.exp(clock.density) == pytest.approx(1.05)
    assert setting_log_odds("delayed_healing")["density_pct"] == pytest.approx(math.log(1.05) / clock.scale)
    assert setting_log_odds("prolonged_redness")["density_pct"] == pytest.approx(math.log(1.3))


@pytest.mark.parametrize("outcome", ["hyperpigmentation", "acne_milia", "delayed_healing", "prolonged_redness"])
def test_a_model_of_what_truly_happened_finds_the_stated_coefficients(clinic: Clinic, outcome: str) -> None:
    """Logistic regression by Newton's method, sandwich errors by patient, on all narrow-spot zones."""
    rows = [
        (s.patient.number, age_group(s.age), SKIN_GROUPS[s.patient.skin_type], s.patient.smoking == "current",
         s.patient.practitioner.code == "MVS" and t.zone == "neck", t, r.happened(outcome, t.region))
        for s in clinic.sessions
        for t, r in zip(s.treatments, s.results, strict=True)
        if t.settings.spot_class == "narrow" and t.second_layer is None
    ]  # fmt: skip
    matrix = np.array(
        [
            [
                1.0, t.settings.energy_mj / 10.0, t.settings.density_pct / 5.0, t.settings.passes - 1.0,
                t.region == "eyelid", t.region == "off_face", skin == "III", skin == "IV", skin == "V–VI",
                age == "40 to 54", age == "55 and over", t.indication in ("acne_scar", "other_scar"), smoker, worse,
            ]
            for _, age, skin, smoker, worse, t, _ in rows
        ],
        dtype=float,
    )  # fmt: skip
    event = np.array([row[-1] for row in rows], dtype=float)
    patient = np.array([row[0] for row in rows])
    beta = np.zeros(matrix.shape[1])
    for _ in range(25):
        risk = 1.0 / (1.0 + np.exp(-matrix @ beta))
        information = (matrix * (risk * (1.0 - risk))[:, None]).T @ matrix
        beta = beta + np.linalg.solve(information, matrix.T @ (event - risk))
    assert np.abs(matrix.T @ (event - risk)).max() < 1e-6
    scores = pd.DataFrame(matrix * (event - risk)[:, None]).groupby(patient).sum().to_numpy()
    bread = np.linalg.inv(information)
    error = np.sqrt(np.diag(bread @ (scores.T @ scores) @ bread))
    for found, se, true in zip(beta[1:4], error[1:4], setting_log_odds(outcome).values(), strict=True):
        assert abs(found - true) < 3.0 * se


def test_the_worse_practitioner_has_necks_enough_to_be_seen(truth: dict[str, Any]) -> None:
    worse = truth["worse_practitioner"]
    assert worse["zones"] >= 90
    rate = worse["events"]["hyperpigmentation"] / worse["zones"]
    peers = worse["events_of_peers"]["hyperpigmentation"] / worse["zones_of_peers"]
    assert rate > 1.5 * peers


def test_the_bad_quarter_stands_out(truth: dict[str, Any]) -> None:
    quarters = truth["risks"]["bacterial_infection"]["by_quarter"]
    rates = {name: q["expected"] / q["zones"] for name, q in quarters.items()}
    assert max(rates, key=rates.__getitem__) == truth["bad_quarter"]["quarter"]
    others = [rate for name, rate in rates.items() if name != truth["bad_quarter"]["quarter"]]
    assert rates[truth["bad_quarter"]["quarter"]] > 3.0 * max(others)


def test_draws_follow_their_distributions() -> None:
    draw = Stream(11)
    normal = np.array([draw.normal() for _ in range(20_000)])
    logistic = np.array([draw.logistic() for _ in range(20_000)])
    assert abs(normal.mean()) < 0.03
    assert normal.std() == pytest.approx(1.0, abs=0.02)
    assert logistic.var() == pytest.approx(math.pi**2 / 3, rel=0.05)
    picked = Counter(draw.pick({"a": 1.0, "b": 3.0}) for _ in range(8_000))
    assert picked["b"] / 8_000 == pytest.approx(0.75, abs=0.02)
    assert sorted(draw.some_of("abcdef", 6)) == list("abcdef")


def _treated(clinic: Clinic) -> pd.DataFrame:
    """What truly happened, one row a zone by treatment reference."""
    rows: list[dict[str, Any]] = []
    for session in clinic.sessions:
        for treatment, outcome in zip(session.treatments, session.results, strict=True):
            settings = treatment.settings
            row: dict[str, Any] = {
                "record_id": f"T{len(rows) + 1:06d}",
                "zone": treatment.zone,
                "practitioner_id": session.patient.practitioner.code,
                "site_id": session.patient.practitioner.site,
                "pulse_energy_mj": settings.energy_mj,
                "density_pct": settings.density_pct,
                "passes": settings.passes,
                "spot_um": float(settings.spot_um),
                "healing_days": outcome.healing_days,
                "redness_days": outcome.redness_days,
            }
            for name in (o.name for o in OUTCOMES):
                row[name] = outcome.happened(name, treatment.region)
            rows.append(row)
    return pd.DataFrame(rows).set_index("record_id")
