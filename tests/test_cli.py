"""The command line as a user meets it: progress, exit codes, two sentences for a mistake, no traceback."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

from outcomes.cli import audit, benchmark, main
from outcomes.protocol import Protocol

FLAT = """record_id,patient_id,session_id,treated_on,practitioner_id,zone,skin_type,pulse_energy_mj,density_pct,passes
R1,SECRET-77,S1,2026-03-02,A,neck,II,12,5,1
R2,SECRET-77,S1,2026-03-02,A,chin,II,,8,1
R3,SECRET-78,S2,2026-03-03,A,chin,III,14,8,1
"""


def run(*arguments, cwd):
    return subprocess.run(
        [sys.executable, "-m", "outcomes.cli", *map(str, arguments)],
        capture_output=True,
        text=True,
        cwd=cwd,
        check=False,
    )


@pytest.fixture
def export(tmp_path):
    path = tmp_path / "export.csv"
    path.write_text(FLAT, encoding="utf-8")
    return path


def test_check_counts_what_would_be_refused_and_names_no_value(export, tmp_path):
    done = run("check", export, "--out", tmp_path / "checked", cwd=tmp_path)
    assert done.returncode == 0
    assert "zones: 3 rows read, 2 accepted, 1 refused." in done.stdout
    assert "row 3" in done.stdout
    assert "SECRET" not in done.stdout + done.stderr
    problems = (tmp_path / "checked" / "problems.csv").read_text(encoding="utf-8")
    assert problems.startswith("table,row,column,rule,remedy\nzones,3,pulse_energy_mj,")
    assert "SECRET" not in problems


def test_strict_refuses_with_exit_1(export, tmp_path):
    assert run("check", export, "--strict", cwd=tmp_path).returncode == 1
    audit = run("audit", export, "--strict", "--quiet", cwd=tmp_path)
    assert audit.returncode == 1
    assert "Traceback" not in audit.stderr
    assert not (tmp_path / "reports").exists()


def test_a_tiny_export_still_gives_a_report_that_says_what_it_cannot(export, tmp_path):
    done = run("audit", export, "--period", "2026Q1", "--out", tmp_path / "out", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert "asking about healing" in done.stderr
    assert "audit.pdf" in done.stdout
    report = json.loads((tmp_path / "out" / "report.json").read_text(encoding="utf-8"))
    assert (report["rows_read"], report["rows_accepted"], report["rows_refused"]) == (3, 2, 1)
    for path in (tmp_path / "out").rglob("*"):
        if path.is_file():
            assert b"SECRET" not in path.read_bytes(), path.name


def test_quiet_prints_only_where_the_report_is(export, tmp_path):
    done = run("audit", export, "--period", "2026Q1", "--quiet", "--out", tmp_path / "out", cwd=tmp_path)
    assert done.stderr == ""
    assert len(done.stdout.splitlines()) == 1


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (["audit", "absent.csv"], 2, "does not exist"),
        (["audit", "export.csv", "--as-of", "yesterday"], 2, "YYYY-MM-DD"),
        (["audit", "export.csv", "--period", "spring"], 1, "such as 2026Q3"),
        (["audit", "export.csv", "--period", "2031Q1"], 1, "after the data cut-off"),
        (["audit", "--visits", "export.csv"], 2, "without an EXPORT"),
        (["check", "empty.csv"], 1, ""),
        (["fly"], 2, "No such command"),
    ],
)
def test_mistakes(export, tmp_path, arguments, code, words):
    (tmp_path / "empty.csv").write_text("", encoding="utf-8")
    done = run(*arguments, cwd=tmp_path)
    assert done.returncode == code
    assert words in done.stderr
    assert "Traceback" not in done.stderr


def test_the_contract_is_printed_both_ways(tmp_path):
    assert "pulse_energy_mj" in run("schema", cwd=tmp_path).stdout
    assert json.loads(run("schema", "--format", "json", cwd=tmp_path).stdout)


def test_a_mapping_is_drafted_from_headers(export, tmp_path):
    done = run("mapping", export, cwd=tmp_path)
    assert done.returncode == 0
    assert "SECRET" not in done.stdout


def test_a_fault_of_the_program_says_where_and_never_what(monkeypatch, capsys):
    from outcomes import cli

    def broken(*_, **__):
        raise RuntimeError("SECRET-77")

    monkeypatch.setattr(cli.cli, "main", broken)
    with pytest.raises(SystemExit) as stop:
        cli.main()
    assert stop.value.code == 1
    said = capsys.readouterr().err
    assert "RuntimeError at" in said
    assert "SECRET" not in said


def test_what_leaves_the_clinic_is_the_default():
    """Small counts are held back unless the clinic asks for its own report; a benchmark has no such choice."""
    (audience,) = [option for option in audit.params if option.name == "audience"]
    assert audience.default == "committee" == Protocol().audience
    assert list(audience.type.choices) == ["committee", "clinic"]
    assert not [option for option in benchmark.params if option.name == "audience"]


def test_a_single_fault_is_said_once(tmp_path, monkeypatch, capsys):
    path = tmp_path / "page.csv"
    path.write_text("<html>", encoding="utf-8")
    monkeypatch.setattr("sys.argv", ["outcomes", "audit", str(path), "--quiet", "--out", str(tmp_path / "out")])
    with pytest.raises(SystemExit) as stop:
        main()
    assert stop.value.code == 1
    assert capsys.readouterr().err.count("something else that is no table") == 1
