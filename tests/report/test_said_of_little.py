"""Clinics whose export holds little: what cannot be said is said so, never as a nought, an empty section or a verdict."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from outcomes.estimates.estimate import NotEstimable
from outcomes.findings import Finding
from outcomes.questions.ask import ask
from outcomes.questions.completeness import completeness
from outcomes.questions.complications import complications
from outcomes.questions.consent_figures import consent_figures
from outcomes.questions.healing import healing
from outcomes.questions.learning import learning
from outcomes.questions.practitioners import practitioners
from outcomes.questions.settings_and_risk import settings_and_risk
from outcomes.questions.trend import trend
from outcomes.records.cases import Cases
from outcomes.records.load import load
from outcomes.records.scope import Scope
from outcomes.records.synthetic import clinic_files
from outcomes.report.compose import compose

QUESTIONS = (
    complications, trend, settings_and_risk, healing, practitioners, learning, consent_figures, completeness,
)  # fmt: skip


def _clinic(folder: Path, zones: int, practitioner: str = "", *, visits: bool) -> Cases:
    """The last zones of the invented clinic, of one practitioner or its own, with their visits or none."""
    files = clinic_files()
    text = {"dtype": str, "encoding": "utf-8-sig", "keep_default_na": False}
    rows = pd.read_csv(files["zones"], **text).tail(zones)
    if practitioner:
        rows = rows.assign(Clinician=practitioner)
    export = folder / "zones.csv"
    rows.to_csv(export, index=False)
    given = {"mapping": files["mapping"]}
    if visits:
        seen = pd.read_csv(files["visits"], **text)
        ours = seen["Treatment ref"].isin(rows["Treatment ref"]) | seen["Episode no"].isin(rows["Episode no"])
        seen.loc[ours].to_csv(folder / "visits.csv", index=False)
        given["visits"] = folder / "visits.csv"
    return load(export, **given)


def _said(finding: Finding) -> str:
    return " ".join((*finding.says, finding.brief, *(text for _, text in finding.headlines)))


@pytest.fixture(scope="module")
def unseen(tmp_path_factory: pytest.TempPathFactory) -> tuple[Cases, Scope, dict[str, Finding]]:
    """Eight hundred zones of which the export holds no follow-up."""
    cases = _clinic(tmp_path_factory.mktemp("unseen"), 800, visits=False)
    scope = Scope.quarter("2026Q3", cases.last_date)
    return cases, scope, {f.key: f for f in ask(cases, scope, questions=QUESTIONS)}


def test_without_follow_up_nothing_is_said_to_have_been_seen(unseen: tuple[Cases, Scope, dict[str, Finding]]) -> None:
    cases, scope, found = unseen
    assert all(isinstance(a, NotEstimable) for a in found["completeness"].estimates)
    assert found["completeness"].brief == (
        "How far follow-up reaches cannot be said: the export holds no follow-up contacts."
    )
    assert found["completeness"].headlines == (
        ("cannot say", "How far follow-up reaches: the export holds no follow-up contacts."),
    )
    volume = compose(tuple(found.values()), cases, scope).volume[-1]
    assert (volume.value, volume.label) == (
        "cannot say",
        "how far follow-up reaches: the export holds no follow-up contacts",
    )


def test_without_follow_up_no_complication_is_said_to_be_absent(
    unseen: tuple[Cases, Scope, dict[str, Finding]],
) -> None:
    _, _, found = unseen
    assert found["complications"].brief == "Whether complications occurred cannot be said: no record tells it."
    assert [verdict for verdict, _ in found["complications"].headlines] == ["cannot say"]
    for finding in found.values():
        text = _said(finding)
        assert "No event" not in text, finding.key
        assert "Of none" not in text, finding.key
        assert " 0 of " not in text, finding.key
        assert "not shown for any" not in text, finding.key


def test_every_section_answers_its_question_or_says_why_not(unseen: tuple[Cases, Scope, dict[str, Finding]]) -> None:
    for finding in unseen[2].values():
        assert finding.says, finding.key
    assert unseen[2]["healing"].says == ("Nothing can be said: no record tells when a zone had healed.",)
    assert unseen[2]["practitioners"].says == ("Nobody can be compared: no zone has had its time and a known outcome.",)
    assert unseen[2]["practitioners"].headlines == ()
    assert "nine pairs of setting and complication nothing can be said" in unseen[2]["settings_and_risk"].brief


def test_one_practitioner_is_compared_with_nobody(tmp_path: Path) -> None:
    cases = _clinic(tmp_path, 1500, "ANN", visits=True)
    scope = Scope.quarter("2026Q3", cases.last_date)
    peers, experience = ask(cases, scope, questions=(practitioners, learning))
    assert peers.says == ("With one practitioner there is nobody to compare with.",)
    assert (peers.brief, peers.headlines, peers.exhibits, peers.requests) == ("", (), (), ())
    assert not any("were alike" in caveat for caveat in peers.caveats)
    reasons = {a.reason for a in peers.estimates if isinstance(a, NotEstimable)}
    assert "nobody else treated such zones" in reasons
    assert "No practitioner began" in _said(experience)
    assert "None practitioners" not in _said(experience)


def test_where_nobody_can_be_judged_nobody_is_within_limits(tmp_path: Path) -> None:
    cases = _clinic(tmp_path, 120, visits=True)
    scope = Scope.quarter("2026Q3", cases.last_date)
    (peers,) = ask(cases, scope, questions=(practitioners,))
    assert {verdict for verdict, _ in peers.headlines} <= {"too few to judge"}
    assert "No difference" not in _said(peers)
    assert not any("were alike" in caveat for caveat in peers.caveats)
