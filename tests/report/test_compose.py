"""Compose arranges: counts from the source, key findings by urgency, nothing silent, nothing recomputed."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from typing import Any

import pytest
import sample_findings as sample
from sample_cases import SCOPE, cases

from outcomes.errors import ReportError
from outcomes.estimates.estimate import TIDY_COLUMNS, Estimate, NotEstimable
from outcomes.findings import VERDICTS, Finding, Forest, Grid, Row
from outcomes.protocol import Protocol
from outcomes.records.actions import ActionRegister
from outcomes.records.vocabulary import OUTCOMES
from outcomes.report import measured, texts
from outcomes.report.compose import compose
from outcomes.report.data import json_text, report_data
from outcomes.report.document import Report, rounded
from outcomes.report.formulas import formula_names, formulas_for


@pytest.fixture(scope="module")
def report() -> Report:
    return compose(sample.findings(), cases(), SCOPE, organisation="Invented Skin Clinic")


@pytest.fixture(scope="module")
def data(report: Report) -> dict[str, Any]:
    return json.loads(json_text(report_data(report)))


def _blocks(data: dict[str, Any], section: str) -> list[dict[str, Any]]:
    return next(s["blocks"] for s in data["sections"] if s["key"] == section)


def test_rows_read_are_accepted_plus_refused(data: dict[str, Any]) -> None:
    assert (data["rows_read"], data["rows_accepted"], data["rows_refused"]) == (43, 40, 3)
    assert data["tables"][1] == {"table": "visits", "rows_read": 120, "rows_accepted": 119, "rows_refused": 1}
    counts = next(b for b in _blocks(data, "data_quality") if b["kind"] == "shown")
    assert counts["rows"][0]["cells"] == ["Zones", "43", "40", "3", "7.0"]


def test_reasons_are_counted_by_rule(data: dict[str, Any]) -> None:
    reasons = [b for b in _blocks(data, "data_quality") if b["kind"] == "shown"][1]
    assert reasons["rows"][0]["cells"] == ["Zones", "Dichte", "density lies between 1 and 100 %", "2"]
    assert len(reasons["rows"]) == 3


def test_sections_stand_in_order_and_are_numbered(data: dict[str, Any]) -> None:
    keys = [s["key"] for s in data["sections"]]
    assert keys == [
        "settings_in_use", "complications", "settings_and_risk", "healing", "practitioners", "trend", "data_quality",
        "methods", "definitions", "limits", "reproducibility", "sign_off",
    ]  # fmt: skip
    assert [s["number"] for s in data["sections"]] == list(range(1, 13))


def test_key_findings_go_by_urgency_and_point_to_their_section(data: dict[str, Any]) -> None:
    ranks = [texts.MORE_URGENT_FIRST.index(h["verdict"]) for h in data["headlines"]]
    assert ranks == sorted(ranks)
    numbers = {s["key"]: s["number"] for s in data["sections"]}
    assert all(h["number"] == numbers[h["section"]] for h in (*data["headlines"], *data["requests"]))


def test_no_question_is_silent_on_the_first_page_and_none_is_lost() -> None:
    crowd = [
        Finding(f"q{i}", f"Question {i}", "?", ("Said.",), headlines=(("cannot say", f"a{i}"), ("not met", f"b{i}")))
        for i in range(5)
    ]
    report = compose(crowd, cases(), SCOPE)
    assert len(report.headlines) == 7
    assert {h.section for h in report.headlines} == {f"q{i}" for i in range(5)}
    assert len({h.text for h in (*report.headlines, *report.further)}) == 10


def test_every_verdict_word_has_a_rank_and_a_meaning() -> None:
    assert set(texts.MORE_URGENT_FIRST) == VERDICTS
    assert {word for word, _ in texts.VERDICT_MEANINGS} == VERDICTS


def test_only_verdicts_in_use_are_explained(data: dict[str, Any]) -> None:
    words = [v["verdict"] for v in data["verdicts"]]
    assert "met" not in words
    assert {"associated", "not shown", "cannot say", "outside 99.8 %", "too few to judge", "described"} <= set(words)


def test_volume_counts_the_period(data: dict[str, Any]) -> None:
    assert [(v["value"], v["label"]) for v in data["volume"]][:3] == [
        ("30", "zones treated"), ("15", "patients"), ("15", "sessions"),
    ]  # fmt: skip
    assert data["volume"][3]["value"] == "not asked"


def test_reach_is_taken_from_the_completeness_finding() -> None:
    reach = Estimate("reach day 30, 2026Q2", 0.8125, 0.7, 0.9, "m", 512, unit="proportion")
    other = Estimate("reach day 90, 2026Q1", 0.5, 0.1, 0.9, "m", 4, unit="proportion")
    finding = Finding("completeness", "Completeness", "?", ("Said.",), estimates=(other, reach))
    report = compose([finding], cases(), SCOPE)
    assert report.volume[3].value == "81.2 %"
    assert report.volume[3].label == "seen on or after day 30, of 512 zones treated in 2026Q2"


def test_the_summary_is_made_of_what_the_findings_say(report: Report) -> None:
    assert "30 treated zones of 15 patients in 2026Q3" in report.summary[0]
    # every table counts: 43 rows of zones and 120 of visits
    assert "of 163 rows read, 4 were set aside, 3 of them treated zones." in report.summary[0]
    said = " ".join(report.summary[1:]).lower()
    assert all(finding.brief.lower().rstrip(".") in said for finding in sample.findings() if finding.brief)
    assert 3 <= len(report.summary) <= 5


def test_the_summary_has_five_sentences_at_most_and_leaves_no_question_out() -> None:
    keys = (
        "standards",
        "actions",
        "complications",
        "settings_and_risk",
        "benefit",
        "healing",
        "practitioners",
        "new",
        "other",
    )
    crowd = [Finding(key, key, "?", ("Said.",), brief=f"Of {key} one thing is said.") for key in keys]
    summary = compose(crowd, cases(), SCOPE).summary
    assert len(summary) == 5
    assert summary[1] == "Of standards one thing is said; of actions one thing is said."
    assert summary[-1].endswith("of new one thing is said; of other one thing is said.")
    assert all(f"f {key} one thing" in " ".join(summary) for key in keys)
    assert all(sentence.count(". ") == 0 and sentence.endswith(".") for sentence in summary)


def test_every_estimate_is_carried_to_ten_digits(data: dict[str, Any]) -> None:
    for finding in sample.findings():
        lines = data["estimates"][finding.key]
        assert len(lines) == len(finding.estimates)
        for line, answer in zip(lines, finding.estimates, strict=True):
            assert tuple(line) == TIDY_COLUMNS
            if isinstance(answer, NotEstimable):
                assert line["estimate"] is None
                assert line["note"].startswith("cannot say: ")
            else:
                assert line["estimate"] == float(f"{answer.value:.10g}")


def test_forest_rows_print_their_estimates(data: dict[str, Any]) -> None:
    forest = next(b for b in _blocks(data, "settings_and_risk") if b.get("shape") == "forest")
    dense = forest["rows"][1]
    assert (dense["text"], dense["interval"], dense["verdict"]) == ("1.38", "1.18 to 1.61", "associated")
    assert forest["value_header"] == "Odds ratio"
    assert forest["interval_header"] == "95 % CI"
    silent = forest["rows"][5]
    assert silent["mark"] is None
    assert silent["text"] == silent["interval"] == ""
    assert silent["reason"] == "fewer than 10 patients on one side of the step"
    assert forest["arrows"]
    assert forest["axis"]["reference"] is not None


def test_an_empty_exhibit_says_why(data: dict[str, Any]) -> None:
    empty = next(b for b in _blocks(data, "practitioners") if b.get("shape") == "empty")
    assert empty["why"] == "Seven practitioners are too few to estimate the spread between them."


def test_an_empty_exhibit_without_a_note_still_says_something() -> None:
    finding = Finding("q", "Q", "?", ("Said.",), exhibits=(Grid("Nothing", ("a",), ()),))
    data = report_data(compose([finding], cases(), SCOPE))
    assert _blocks(data, "q")[1]["why"] == "No record qualified."


def test_windows_of_every_outcome_are_defined(data: dict[str, Any]) -> None:
    table = next(b for b in _blocks(data, "definitions") if b["kind"] == "shown")
    rows = {name: row["cells"] for row in table["rows"] for name in re.split(", | and ", row["cells"][0].lower())}
    assert sorted(rows) == sorted(o.label.lower() for o in OUTCOMES)
    assert len({tuple(cells[1:]) for cells in rows.values()}) == len(table["rows"])
    pigment = rows["hyperpigmentation"]
    assert pigment == [
        "Hyperpigmentation",
        "zone",
        "up to day 180",
        "seen on or after day 60",
        "in person, video or photo",
    ]


def test_a_changed_protocol_is_said() -> None:
    protocol = replace(Protocol(), changed=("level", "windows"), sha256="ab" * 32)
    data = report_data(compose(sample.findings(), cases(), SCOPE, protocol))
    assert "level and windows" in json.dumps(_blocks(data, "definitions"))
    assert "ab" * 32 in json.dumps(_blocks(data, "reproducibility"))
    assert "--config CONFIG" in json.dumps(_blocks(data, "reproducibility"))


def test_cautions_are_on_the_first_page_and_in_full(data: dict[str, Any]) -> None:
    assert "recommends no settings for a patient" in data["caution"]
    assert "device's instructions" in data["caution"]
    assert "observational" in data["caution"]
    entries = dict(_blocks(data, "limits")[0]["entries"])
    *cautions, disclosed = entries["How it must not be used"]
    assert cautions == list(texts.CAUTIONS)
    assert "Counts from 1 to 4 in breakdowns" in disclosed
    assert entries["What this audit cannot show"] == [*texts.LIMITS, *measured.sentences()]


def test_words_that_a_reader_may_not_know_are_explained(data: dict[str, Any]) -> None:
    explained = {entry["term"] for entry in data["glossary"]}
    assert {"Odds ratio", "Time ratio", "95 % CI", "Adjusted p", "Design effect", "Case-mix", "Expected"} <= explained


def test_a_cannot_say_is_explained_even_where_no_verdict_says_so() -> None:
    silent = NotEstimable("a", "no cases", n=0)
    finding = Finding("q", "Q", "?", ("Said.",), estimates=(silent,))
    words = [v["verdict"] for v in report_data(compose([finding], cases(), SCOPE))["verdicts"]]
    assert words == ["cannot say"]


def test_differences_are_headed_as_such() -> None:
    def header(unit: str, scale: str) -> str:
        row = Row("a", Estimate("a", 0.2, 0.1, 0.3, "m", 9, unit=unit))
        finding = Finding("q", "Q", "?", ("Said.",), exhibits=(Forest("T", ("",), (row,), scale),))
        return str(_blocks(report_data(compose([finding], cases(), SCOPE)), "q")[1]["value_header"])

    assert header("mJ", "difference") == "Difference, mJ"
    assert header("%", "difference") == "Difference, %"
    assert header("passes", "difference") == "Difference, passes"
    assert header("difference in proportion", "difference") == "Difference, points"
    assert header("odds ratio", "ratio") == "Odds ratio"


def test_the_typst_library_is_not_taken_for_its_engine(data: dict[str, Any]) -> None:
    assert "typst (Python package)" in data["versions"]
    assert "typst" not in data["versions"]


def test_every_formula_says_what_it_says_in_plain_words() -> None:
    for formula in formulas_for(["Clopper Korn Wilson Newcombe Firth funnel Turnbull E-value"]):
        assert formula.reading
        assert formula.reading != formula.words


def test_the_command_that_makes_it_again_is_named_without_a_path(data: dict[str, Any]) -> None:
    command = next(b for b in _blocks(data, "reproducibility") if b["kind"] == "command")
    text = " ".join(command["parts"])
    assert text == "outcomes audit EXPORT --period 2026Q3 --as-of 2026-10-14 --visits VISITS --mapping MAPPING"


def test_formulas_are_those_the_methods_name() -> None:
    names = [f.name for f in formulas_for(["Funnel limits by Wilson and the E-value."])]
    assert names == ["wilson", "evalue", "funnel"]
    assert set(names) <= set(formula_names())
    assert formulas_for(["nothing of the kind"]) == ()


def test_json_is_strict_and_the_same_twice(report: Report) -> None:
    assert json_text(report_data(report)) == json_text(report_data(report))
    with pytest.raises(ValueError, match="finite"):
        rounded(float("nan"))


def test_mixed_levels_are_not_named_as_one() -> None:
    answers = [Estimate("a", 0.2, 0.1, 0.3, "m", 9, unit="proportion", level=level) for level in (0.95, 0.9)]
    rows = tuple(Row("a", answer) for answer in answers)
    finding = Finding("q", "Q", "?", ("Said.",), exhibits=(Forest("T", ("",), rows, "proportion"),))
    data = report_data(compose([finding], cases(), SCOPE))
    assert _blocks(data, "q")[1]["interval_header"] == "interval"


def test_a_report_without_findings_or_with_a_question_twice_is_refused() -> None:
    finding = sample.healing()
    for findings in ([], [finding, finding]):
        with pytest.raises(ReportError):
            compose(findings, cases(), SCOPE)


def test_the_command_that_makes_the_report_again_names_what_it_was_made_with() -> None:
    register = ActionRegister((), (), rows_read=0, rows_refused=0, texts_held_back=0, sha256="ab" * 32)
    protocol = replace(Protocol(), audience="clinic")
    data = report_data(compose(sample.findings(), cases(), SCOPE, protocol, register=register))
    blocks = _blocks(data, "reproducibility")
    command = next(b for b in blocks if b["kind"] == "command")["parts"]
    assert "--actions ACTIONS" in command
    assert "--for clinic" in command
    assert any("ab" * 32 in item for b in blocks if b["kind"] == "checklist" for item in b["items"])
    disclosed = dict(_blocks(data, "limits")[0]["entries"])["How it must not be used"][-1]
    assert "must not leave it" in disclosed
    plain_data = report_data(compose(sample.findings(), cases(), SCOPE))
    plain = next(b for b in _blocks(plain_data, "reproducibility") if b["kind"] == "command")
    assert not any(part.startswith(("--actions", "--for")) for part in plain["parts"])
