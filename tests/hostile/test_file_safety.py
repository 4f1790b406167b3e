"""Killed, full, shared, linked, oddly named: what is in the output folder is one whole report or what was there."""

from __future__ import annotations

import io
import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from click.testing import CliRunner

from outcomes.cli import cli
from outcomes.errors import ReportError
from outcomes.records.load import check
from outcomes.report.checked import write_problems
from outcomes.report.writing import check_free, csv_bytes, write_whole

HERE = Path(__file__).parent
POSIX = pytest.mark.skipif(os.name != "posix", reason="kills and forks")
FLAT = """record_id,patient_id,session_id,treated_on,practitioner_id,zone,skin_type,pulse_energy_mj,density_pct,passes
R1,P1,S1,2026-03-02,A,neck,II,12,5,1
R2,P1,S1,2026-03-02,A,chin,II,,8,1
"""


def experiment(name: str, folder: Path) -> dict[str, Any]:
    done = subprocess.run(
        [sys.executable, str(HERE / "dying.py"), name, str(folder)],
        capture_output=True, text=True, check=False, cwd=HERE.parents[1],
        env={**os.environ, "PYTHONPATH": str(HERE.parents[1])},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    result: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return result


def report(mark: bytes) -> dict[str, bytes]:
    return {"audit.pdf": mark, "report.json": b'{"written": ["audit.pdf", "report.json"]}'}


@POSIX
def test_a_run_killed_at_any_step_leaves_one_whole_report(tmp_path: Path) -> None:
    found = experiment("killed_at_every_step", tmp_path)["found"]
    assert len(found) > 20
    assert [case["status"] for case in found] == [-9] * (len(found) - 1) + [0]
    assert {case["holds"] for case in found} == {"old", "new"}
    assert [case["holds"] for case in found] == sorted((case["holds"] for case in found), reverse=True)
    # Between the two renames there is no folder, and the next run puts the earlier one back.
    assert [case["holds"] for case in found if case["gone"]] == ["old"]
    # At most what a run leaves that dies before it could say that a hidden folder is its own.
    assert sum(bool(case["beside"]) for case in found) <= 2


@POSIX
def test_a_run_killed_while_it_puts_the_earlier_report_back_loses_nothing(tmp_path: Path) -> None:
    found = experiment("killed_in_restoring", tmp_path)["found"]
    assert len(found) > 3
    assert all(case["first"] == -9 and case["gone"] and case["old"] for case in found)


@POSIX
def test_a_disk_that_takes_no_more_leaves_the_earlier_report(tmp_path: Path) -> None:
    assert experiment("full_disk", tmp_path) == {"status": 1, "old": True, "beside": []}


@POSIX
def test_a_disk_that_takes_no_more_leaves_the_earlier_lists_of_a_check(tmp_path: Path) -> None:
    assert experiment("lists_on_a_full_disk", tmp_path)["found"] == [[1, True], [1, True]]


@POSIX
def test_a_check_killed_at_any_step_leaves_no_two_lists_of_different_runs(tmp_path: Path) -> None:
    found = experiment("lists_killed_at_every_step", tmp_path)["found"]
    assert len(found) > 5
    assert [case["status"] for case in found] == [-9] * (len(found) - 1) + [0]
    assert all(len(case["of"]) == 1 and case["mended"] for case in found)
    assert {tuple(case["of"]) for case in found} == {("old",), ("new",)}
    assert found[-1]["names"] == ["problems.csv", "refused.csv"]
    assert all("problems.csv" in case["names"] for case in found)


@POSIX
def test_a_folder_that_is_read_only_keeps_what_it_holds(tmp_path: Path) -> None:
    found = experiment("read_only", tmp_path)
    assert found == {"status": [1, 1, 1], "same": True, "names": ["2026Q3", "checked"]}


@POSIX
def test_three_runs_on_one_folder_leave_one_whole_report(tmp_path: Path) -> None:
    assert experiment("at_the_same_time", tmp_path) == {"failed": 0, "whole": True, "beside": []}


@POSIX
@pytest.mark.slow
def test_a_run_killed_while_it_typesets_leaves_one_whole_report(tmp_path: Path) -> None:
    found = experiment("killed_while_typesetting", tmp_path)
    assert "old" in found["results"]
    assert set(found["results"]) <= {"old", "new"}
    assert found["beside"] == []


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="a folder that nobody can write to")
def test_a_folder_that_cannot_be_written_to_is_said(tmp_path: Path) -> None:
    with pytest.raises(ReportError, match="cannot be written to"):
        write_whole(Path("/proc/2026Q3"), report(b"new"))
    (tmp_path / "export.csv").write_text(FLAT, encoding="utf-8")
    with pytest.raises(ReportError, match="cannot be written to"):
        write_problems(check(tmp_path / "export.csv"), Path("/proc/checked"))


def test_a_link_to_a_folder_stays_a_link(tmp_path: Path) -> None:
    (tmp_path / "disk").mkdir()
    link = tmp_path / "reports"
    link.symlink_to(tmp_path / "disk", target_is_directory=True)
    write_whole(link, report(b"old"))
    write_whole(link, report(b"new"))
    assert link.is_symlink()
    assert (tmp_path / "disk" / "audit.pdf").read_bytes() == b"new"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["disk", "reports"]


def test_a_link_in_a_circle_is_refused(tmp_path: Path) -> None:
    (tmp_path / "a").symlink_to(tmp_path / "b")
    (tmp_path / "b").symlink_to(tmp_path / "a")
    with pytest.raises(ReportError):
        write_whole(tmp_path / "a", report(b"new"))
    assert (tmp_path / "a").is_symlink()


def test_the_folder_one_works_in_and_the_top_of_a_disk_are_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "work" / "deeper").mkdir(parents=True)
    monkeypatch.chdir(tmp_path / "work")
    for out in (Path(), Path("..")):
        with pytest.raises(ReportError, match="runs in"):
            check_free(out, [])
    with pytest.raises(ReportError, match="top of a disk"):
        check_free(Path(tmp_path.anchor), [])
    check_free(Path("deeper"), [])


def test_what_is_put_into_the_folder_while_the_report_is_made_is_kept(tmp_path: Path) -> None:
    out = tmp_path / "2026Q3"
    write_whole(out, report(b"old"))
    check_free(out, [])
    (out / "notes.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(ReportError, match=r"notes\.txt"):
        write_whole(out, report(b"new"))
    assert (out / "notes.txt").read_text(encoding="utf-8") == "mine"
    assert (out / "audit.pdf").read_bytes() == b"old"


def test_a_hidden_folder_of_somebody_else_is_left_alone(tmp_path: Path) -> None:
    mine = tmp_path / ".2026Q3-mine"
    (mine / "old000").mkdir(parents=True)
    (mine / "owner").write_text("2026Q3-b", encoding="utf-8")
    check_free(tmp_path / "2026Q3", [])
    assert (mine / "old000").is_dir()
    assert not (tmp_path / "2026Q3").exists()


def test_the_lists_of_a_check_never_overwrite_the_export(tmp_path: Path) -> None:
    export = tmp_path / "problems.csv"
    export.write_text(FLAT, encoding="utf-8")
    done = CliRunner().invoke(cli, ["check", str(export), "--out", str(tmp_path)])
    assert isinstance(done.exception, ReportError)
    assert export.read_text(encoding="utf-8") == FLAT
    assert [p.name for p in tmp_path.iterdir()] == ["problems.csv"]


def test_the_lists_of_a_check_replace_earlier_ones_and_follow_no_link(tmp_path: Path) -> None:
    (tmp_path / "export.csv").write_text(FLAT, encoding="utf-8")
    out = tmp_path / "checked"
    checked = check(tmp_path / "export.csv")
    first = write_problems(checked, out).read_bytes()
    target = tmp_path / "elsewhere.csv"
    target.write_bytes(first)
    (out / "problems.csv").unlink()
    (out / "problems.csv").symlink_to(target)
    (tmp_path / "export.csv").write_text(FLAT.replace("chin,II,,8,1", "chin,II,12,8,1"), encoding="utf-8")
    write_problems(check(tmp_path / "export.csv"), out)
    assert not (out / "problems.csv").is_symlink()
    assert (out / "problems.csv").read_text(encoding="utf-8") == "table,row,column,rule,remedy\n"
    assert target.read_bytes() == first
    assert sorted(p.name for p in out.iterdir()) == ["problems.csv", "refused.csv"]


@pytest.mark.parametrize("folder", ["Fälle März 2026 (α)", "it's 50% & more", "-out", "日本", "a;b|c $HOME `x`"])
def test_paths_with_spaces_and_other_scripts(tmp_path: Path, folder: str) -> None:
    export = tmp_path / folder / "zönes 'x' é.csv"
    export.parent.mkdir()
    export.write_text(FLAT, encoding="utf-8")
    done = CliRunner().invoke(cli, ["check", str(export), "--out", str(tmp_path / folder / "out put")])
    assert done.exit_code == 0
    assert len(pd.read_csv(tmp_path / folder / "out put" / "problems.csv")) == 1
    write_whole(tmp_path / folder / "2026 Q3", report(b"old"))
    write_whole(tmp_path / folder / "2026 Q3", report(b"new"))
    assert (tmp_path / folder / "2026 Q3" / "audit.pdf").read_bytes() == b"new"
    assert sorted(p.name for p in export.parent.iterdir()) == sorted([export.name, "out put", "2026 Q3"])


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r", "＝"])
def test_no_text_in_a_list_is_a_formula(start: str) -> None:
    header = f"{start}HYPERLINK(1)"
    frame = pd.DataFrame({"column": pd.array([header, None], dtype="string"), "value": [-1.5, 2.0]})
    shown = pd.read_csv(io.BytesIO(csv_bytes(frame)), keep_default_na=False)
    assert shown["column"].tolist() == ["'" + header.replace("\r", "\n"), ""]
    assert shown["value"].tolist() == [-1.5, 2.0]
