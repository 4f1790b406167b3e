"""A report folder is written whole or stays as it was, and nothing else is ever overwritten."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from outcomes.errors import ReportError
from outcomes.report.writing import _swap, check_free, write_whole


def _report(mark: str, *more: str) -> dict[str, bytes]:
    names = ["audit.pdf", "report.json", "tables/a.csv", *more]
    return {
        "audit.pdf": mark.encode(),
        "tables/a.csv": mark.encode(),
        **{name: mark.encode() for name in more},
        "report.json": json.dumps({"written": names}).encode(),
    }


def _content(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def test_a_new_report_replaces_the_old_one_whole(tmp_path: Path) -> None:
    out = tmp_path / "deep" / "2026Q3"
    write_whole(out, _report("old", "tables/gone.csv"))
    write_whole(out, _report("new"))
    assert _content(out) == _report("new")
    assert [p.name for p in out.parent.iterdir()] == ["2026Q3"]


@pytest.mark.parametrize("failing", [1, 2, 3])
def test_a_disk_that_fills_up_leaves_the_old_report(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, failing: int
) -> None:
    out = tmp_path / "2026Q3"
    write_whole(out, _report("old"))
    before = _content(out)
    calls = 0
    plain = Path.write_bytes

    def full(self: Path, data: bytes) -> int:
        nonlocal calls
        calls += 1
        if calls == failing:
            raise OSError(28, "No space left on device")
        return plain(self, data)

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(ReportError, match="No space left"):
        write_whole(out, _report("new"))
    monkeypatch.undo()
    assert _content(out) == before
    assert [p.name for p in tmp_path.iterdir()] == ["2026Q3"]


@pytest.mark.parametrize("failing", [1, 2])
def test_a_swap_that_fails_half_way_is_undone(tmp_path: Path, failing: int) -> None:
    folder, fresh, earlier = tmp_path / "out", tmp_path / "new", tmp_path / "old"
    folder.mkdir()
    (folder / "audit.pdf").write_bytes(b"old")
    fresh.mkdir()
    calls = 0

    def rename(source: Path, target: Path) -> None:
        nonlocal calls
        calls += 1
        if calls == failing:
            raise PermissionError(13, "Permission denied")
        source.rename(target)

    with pytest.raises(PermissionError):
        _swap(folder, fresh, earlier, rename)
    assert _content(folder) == {"audit.pdf": b"old"}


def test_a_folder_with_an_input_is_refused(tmp_path: Path) -> None:
    export = tmp_path / "exports" / "zones.csv"
    export.parent.mkdir()
    export.write_text("x", encoding="utf-8")
    with pytest.raises(ReportError, match=r"zones\.csv"):
        check_free(tmp_path / "exports", [export])
    with pytest.raises(ReportError, match=r"zones\.csv"):
        check_free(tmp_path, [export])
    check_free(tmp_path / "report", [export])


def test_a_link_to_a_folder_with_an_input_is_refused(tmp_path: Path) -> None:
    (tmp_path / "exports").mkdir()
    export = tmp_path / "exports" / "zones.csv"
    export.write_text("x", encoding="utf-8")
    link = tmp_path / "elsewhere"
    link.symlink_to(tmp_path / "exports", target_is_directory=True)
    with pytest.raises(ReportError):
        check_free(link, [export])


def test_what_no_report_wrote_is_never_replaced(tmp_path: Path) -> None:
    out = tmp_path / "2026Q3"
    write_whole(out, _report("old"))
    check_free(out, [])
    (out / "tables" / "mine.csv").write_text("mine", encoding="utf-8")
    with pytest.raises(ReportError, match=r"tables/mine\.csv"):
        check_free(out, [])


@pytest.mark.parametrize("listed", ['{"written": ["notes.txt", "../x", "tables/../../y"]}', "not json", "[]"])
def test_a_report_json_cannot_vouch_for_other_files(tmp_path: Path, listed: str) -> None:
    (tmp_path / "report.json").write_text(listed, encoding="utf-8")
    (tmp_path / "notes.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(ReportError):
        check_free(tmp_path, [])


def test_a_file_in_the_place_of_the_folder_is_refused(tmp_path: Path) -> None:
    place = tmp_path / "2026Q3"
    place.write_text("x", encoding="utf-8")
    with pytest.raises(ReportError, match="not a folder"):
        check_free(place, [])


def test_an_empty_folder_is_free(tmp_path: Path) -> None:
    check_free(tmp_path, [])
