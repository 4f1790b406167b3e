"""No row lost, no fault unsaid: what is read is accepted or refused, and good rows do not notice faulty ones."""

from __future__ import annotations

import os
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

EXAMPLES = int(os.environ.get("OUTCOMES_EXAMPLES", "3000"))
"""Exports of the slow test; two seconds each, so that several processes may share them under seeds of their own."""
OF_THE_FILE = ["source_row", "layered"]


def run(*arguments: object) -> Result:
    return CliRunner().invoke(cli, [str(argument) for argument in arguments], catch_exceptions=False)


def options(paths: dict[str, Path]) -> dict[str, Path]:
    return {table: path for table, path in paths.items() if table != "zones"}


def expected_refusals(export: Export) -> dict[Table, set[int]]:
    """Positions of the rows that have to go: the spoilt ones, and visits and layers of which no zone is left."""
    refused = {table: export.spoilt(table) for table in export.rows}
    left = [zone for i, zone in enumerate(export.rows["zones"]) if i not in refused["zones"]]
    for i, visit in enumerate(export.rows.get("visits", [])):
        wanted = {key: visit[key] for key in ("record_id", "session_id", "zone") if visit.get(key)}
        if not any(all(zone[key] == text for key, text in wanted.items()) for zone in left):
            refused["visits"].add(i)
    known = {zone["record_id"].strip() for zone in left}
    for i, layer in enumerate(export.rows.get("layers", [])):
        if layer["record_id"].strip() not in known:
            refused["layers"].add(i)
    return refused


def layered(export: Export) -> set[str]:
    """Records that a row of the layers names, be it refused or not; a row that is torn names none."""
    torn = {fault.position for fault in export.planted if fault.table == "layers" and not fault.column}
    return {row["record_id"].strip() for i, row in enumerate(export.rows.get("layers", [])) if i not in torn}


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
    assert problems.loc[of_columns, "rule"].str.match(r"looks as if it were in |holds \d+ ids that differ from").all()
    problems = problems[~of_columns]
    said = {(t, int(row), column) for t, row, column in zip(*(problems[c] for c in problems.columns[:3]), strict=True)}
    planted = {(fault.table, fault.position + 2, fault.column) for fault in export.planted}
    gone = expected_refusals(export)
    assert planted - said == set()
    assert {(table, row) for table, row, _ in said} == {(t, i + 2) for t, where in gone.items() for i in where}
    assert sorted(zip(refused["table"], refused["row"], strict=True)) == sorted({(t, r) for t, r, _ in said})
    # Nothing is said of a cell that is as it should be; a visit or a layer may be gone with its zone.
    assert {place for place in said - planted if place[0] not in ("visits", "layers")} == set()

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
    # A zone of which a layer was refused stays known as one of several layers: its settings are in no model.
    assert set(cases.zones.loc[cases.zones["layered"], "record_id"]) == layered(export) & set(cases.zones["record_id"])
    for frame in ("zones", "layers", "visits", "sessions"):
        pd.testing.assert_frame_equal(
            *(getattr(c, frame).drop(columns=OF_THE_FILE, errors="ignore") for c in (cases, alone))
        )


@settings(max_examples=8, deadline=None, suppress_health_check=list(HealthCheck), derandomize=True)
@given(export=exports())
def test_every_planted_fault_is_said_and_no_good_row_changes(
    tmp_path_factory: pytest.TempPathFactory, export: Export
) -> None:
    conserve(export, tmp_path_factory.mktemp("export"), by_command=True)


@pytest.mark.slow
@settings(max_examples=EXAMPLES, deadline=None, suppress_health_check=list(HealthCheck))
@given(export=exports(most_rows=20))
def test_every_planted_fault_is_said_three_thousand_times(
    tmp_path_factory: pytest.TempPathFactory, export: Export
) -> None:
    conserve(export, tmp_path_factory.mktemp("export"), by_command=False)
