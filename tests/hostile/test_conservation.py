"""No row lost, no fault unsaid: what is read is accepted or refused, and good rows do not notice faulty ones."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner, Result
from exports import Export, exports
from hypothesis import HealthCheck, given, note, settings

from outcomes.cli import cli
from outcomes.records.contract import Table
from outcomes.records.load import check, load
from outcomes.report.checked import write_problems


def run(*arguments: object) -> Result:
    return CliRunner().invoke(cli, [str(argument) for argument in arguments], catch_exceptions=False)


def options(paths: dict[str, Path]) -> dict[str, Path]:
    return {table: path for table, path in paths.items() if table != "zones"}


def expected_refusals(export: Export) -> dict[Table, set[int]]:
    """Positions of the rows that have to go: the spoilt ones, and visits of which no zone is left."""
    refused = {table: export.spoilt(table) for table in export.rows}
    left = [zone for i, zone in enumerate(export.rows["zones"]) if i not in refused["zones"]]
    for i, visit in enumerate(export.rows.get("visits", [])):
        wanted = {key: visit[key] for key in ("record_id", "session_id", "zone") if visit.get(key)}
        if not any(all(zone[key] == text for key, text in wanted.items()) for zone in left):
            refused["visits"].add(i)
    return refused


def conserve(export: Export, folder: Path, *, by_command: bool) -> None:
    """Check one export, by the command or by what it calls, and its good rows against themselves alone."""
    paths = export.write(folder / "all")
    mapping = folder / "mapping.toml"
    mapping.write_text(export.dialect.mapping(), encoding="utf-8")
    note(str(export))
    checked = check(paths["zones"], **options(paths), mapping=mapping)
    if by_command:
        given_files = [part for table, path in options(paths).items() for part in (f"--{table}", path)]
        done = run("check", paths["zones"], *given_files, "--mapping", mapping, "--out", folder / "out", "--quiet")
        assert done.exit_code == 0, done.output
    else:
        write_problems(checked, folder / "out")
    problems = pd.read_csv(folder / "out" / "problems.csv", keep_default_na=False)
    refused = pd.read_csv(folder / "out" / "refused.csv", keep_default_na=False)

    # A unit that the sizes of a whole column speak against is said of the column and refuses no row.
    of_columns = problems["row"].astype(str) == ""
    assert problems.loc[of_columns, "rule"].str.startswith("looks as if it were in ").all()
    problems = problems[~of_columns]
    said = {(t, int(row), column) for t, row, column in zip(*(problems[c] for c in problems.columns[:3]), strict=True)}
    planted = {(fault.table, fault.position + 2, fault.column) for fault in export.planted}
    gone = expected_refusals(export)
    assert planted - said == set()
    assert {(table, row) for table, row, _ in said} == {(t, i + 2) for t, where in gone.items() for i in where}
    assert sorted(zip(refused["table"], refused["row"], strict=True)) == sorted({(t, r) for t, r, _ in said})
    # Nothing is said of a cell that is as it should be; a visit may be gone with its zone.
    assert {place for place in said - planted if place[0] != "visits"} == set()

    cases = checked.cases
    assert cases is not None
    for count in cases.source.counts:
        table: Table = next(t for t in export.rows if t == count.table)
        assert (count.rows_read, count.rows_refused) == (len(export.rows[table]), len(gone[table]))
        assert count.rows_accepted == count.rows_read - count.rows_refused
    kept = {table: [i for i in range(len(rows)) if i not in gone[table]] for table, rows in export.rows.items()}
    assert cases.zones["source_row"].tolist() == [i + 2 for i in kept["zones"]]
    good = export.write_good(folder / "good", kept)
    alone = load(good["zones"], **options(good), mapping=mapping)
    for frame in ("zones", "visits", "sessions"):
        pd.testing.assert_frame_equal(
            getattr(cases, frame).drop(columns="source_row"), getattr(alone, frame).drop(columns="source_row")
        )


@settings(max_examples=8, deadline=None, suppress_health_check=list(HealthCheck), derandomize=True)
@given(export=exports())
def test_every_planted_fault_is_said_and_no_good_row_changes(
    tmp_path_factory: pytest.TempPathFactory, export: Export
) -> None:
    conserve(export, tmp_path_factory.mktemp("export"), by_command=True)


@pytest.mark.slow
@settings(max_examples=3000, deadline=None, suppress_health_check=list(HealthCheck))
@given(export=exports(most_rows=20))
def test_every_planted_fault_is_said_three_thousand_times(
    tmp_path_factory: pytest.TempPathFactory, export: Export
) -> None:
    conserve(export, tmp_path_factory.mktemp("export"), by_command=False)
