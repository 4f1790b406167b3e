"""The command line: parses arguments, calls the four verbs, prints. Exit 0 done, 1 refused, 2 usage."""

from __future__ import annotations

import sys
import traceback
from collections.abc import Callable
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path
from typing import Any

import click

from outcomes.errors import OutcomesError
from outcomes.protocol import load_protocol
from outcomes.protocol.commented import commented_default
from outcomes.questions.ask import ask
from outcomes.records.dictionary import data_dictionary, table_schema_text
from outcomes.records.draft import draft_mapping
from outcomes.records.load import RecordsRejected, load
from outcomes.records.load import check as check_export
from outcomes.records.pseudonyms import read_key
from outcomes.records.scope import Scope
from outcomes.records.synthetic import SEED, clinic_files
from outcomes.records.synthetic import synthesize as write_clinic
from outcomes.report.checked import checked_text, problems_text, write_problems
from outcomes.report.compose import compose
from outcomes.report.typeset import typeset

Step = Callable[[str], None]

_EXPORT = click.Path(exists=True, dir_okay=False, path_type=Path)


def _table_options(command: Callable[..., Any]) -> Callable[..., Any]:
    for name, text in (
        ("mapping", "TOML file that translates the export's headers, codes and units."),
        ("visits", "Follow-up visits, when they come as a file of their own."),
        ("layers", "Layers, when they come as a file of their own."),
        ("sessions", "Sessions, when they come as a file of their own."),
    ):
        command = click.option(f"--{name}", type=_EXPORT, help=text)(command)
    command = click.option(
        "--key",
        "key_file",
        type=_EXPORT,
        help="File with the secret that patients' and sessions' pseudonyms are made with, so that they are the same "
        "in every export. [default: the environment variable OUTCOMES_KEY; without it they are numbered]",
    )(command)
    command = click.option("--strict", is_flag=True, help="Stop when any row would be set aside.")(command)
    return click.option("--quiet", is_flag=True, help="Print no progress.")(command)


def _output_options(command: Callable[..., Any]) -> Callable[..., Any]:
    papers = click.Choice(["a4", "letter"])
    command = click.option("--paper", type=papers, default="a4", show_default=True, help="Paper of the PDF.")(command)
    command = click.option("--xlsx", "workbook", is_flag=True, help="Also write the tables as a workbook.")(command)
    return click.option("--html", is_flag=True, help="Also write the report as one web page.")(command)


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(package_name="outcomes")
def cli() -> None:
    """Audit the outcomes and settings of fractional CO2 laser resurfacing from exported case records.

    The tool describes what the records show. It recommends no settings for a patient and defers to the
    device's instructions, local policy and licensed practice.
    """


@cli.command()
@click.argument("export", type=_EXPORT)
@_table_options
@click.option("--out", type=click.Path(path_type=Path), help="Folder for problems.csv and refused.csv.")
def check(
    export: Path,
    sessions: Path | None,
    layers: Path | None,
    visits: Path | None,
    mapping: Path | None,
    key_file: Path | None,
    strict: bool,
    quiet: bool,
    out: Path | None,
) -> None:
    """Say what would be refused in EXPORT, and why; analyse nothing."""
    checked = check_export(
        export,
        sessions=sessions,
        layers=layers,
        visits=visits,
        mapping=mapping,
        key=read_key(key_file, out=out),
        progress=_progress(quiet),
    )
    click.echo(checked_text(checked))
    if out is not None:
        written = write_problems(checked, out)
        click.echo(f"Each problem is a line of {written}.")
    refused = any(count.rows_refused for count in checked.source.counts)
    if checked.cases is None or (strict and refused):
        raise SystemExit(1)


@cli.command()
@click.argument("export", type=_EXPORT, required=False)
@_table_options
@click.option("--config", type=_EXPORT, help="audit.toml: windows, outcomes, thresholds, title.")
@click.option("--period", help="Quarter under audit, such as 2026Q3. [default: the last complete one]")
@click.option("--as-of", "as_of", help="Data cut-off as YYYY-MM-DD. [default: the latest date in the data]")
@click.option(
    "--for",
    "audience",
    type=click.Choice(["committee", "clinic"]),
    default="committee",
    show_default=True,
    help="committee: small counts are held back; clinic: shown, not to leave it.",
)
@_output_options
@click.option("--out", type=click.Path(file_okay=False, path_type=Path), help="[default: reports/<period>]")
def audit(
    export: Path | None,
    sessions: Path | None,
    layers: Path | None,
    visits: Path | None,
    mapping: Path | None,
    key_file: Path | None,
    strict: bool,
    quiet: bool,
    config: Path | None,
    period: str | None,
    as_of: str | None,
    audience: str,
    html: bool,
    workbook: bool,
    paper: str,
    out: Path | None,
) -> None:
    """Audit EXPORT: audit.pdf, report.json, tables and figures. Without EXPORT, the invented clinic."""
    say = _progress(quiet)
    protocol = replace(load_protocol(config), audience=audience)
    cut_off = _day(as_of)
    key = read_key(key_file, out=out or Path("reports"))
    if export is None:
        if any((sessions, layers, visits, mapping)):
            raise click.UsageError("A table or mapping was given without an EXPORT to go with it.")
        say("no export given: auditing the invented clinic that comes with outcomes")
        files = clinic_files()
        export, mapping = files["zones"], files["mapping"]
        sessions, layers, visits = files["sessions"], files["layers"], files["visits"]
    cases = load(
        export,
        sessions=sessions,
        layers=layers,
        visits=visits,
        mapping=mapping,
        strict=strict,
        key=key,
        progress=say,
    )
    scope = Scope.quarter(period, cut_off or cases.last_date)
    findings = ask(cases, scope, protocol, progress=say)
    report = compose(findings, cases, scope, protocol)
    inputs = [path for path in (export, sessions, layers, visits, mapping, config) if path is not None]
    folder = out or Path("reports") / scope.label
    written = typeset(report, folder, inputs=inputs, paper=paper, html=html, workbook=workbook, progress=say)
    click.echo(f"The report is {written.pdf}")


@cli.command(name="mapping")
@click.argument("export", type=_EXPORT)
@click.option("--sessions", type=_EXPORT, help="Sessions, when they come as a file of their own.")
@click.option("--layers", type=_EXPORT, help="Layers, when they come as a file of their own.")
@click.option("--visits", type=_EXPORT, help="Follow-up visits, when they come as a file of their own.")
def draft(export: Path, sessions: Path | None, layers: Path | None, visits: Path | None) -> None:
    """Draft a mapping from the headers of EXPORT and print it; check every line before use."""
    click.echo(draft_mapping(export, sessions=sessions, layers=layers, visits=visits))


@cli.command()
@click.option("--format", "form", type=click.Choice(["markdown", "json"]), default="markdown", show_default=True)
def schema(form: str) -> None:
    """Print the record contract: a data dictionary, or a Frictionless Table Schema as JSON."""
    click.echo(data_dictionary() if form == "markdown" else table_schema_text())


@cli.command()
def config() -> None:
    """Print an audit.toml that holds every entry of the protocol with its meaning and default."""
    click.echo(commented_default(), nl=False)


@cli.command()
@click.argument("folder", type=click.Path(file_okay=False, path_type=Path))
@click.option("--seed", type=click.IntRange(min=0), help="Another clinic of the same kind.")
def synthesize(folder: Path, seed: int | None) -> None:
    """Write the invented clinic to FOLDER: export, mapping and known truth."""
    write_clinic(folder, seed=SEED if seed is None else seed)
    click.echo(f"The invented clinic is in {folder}")


def _progress(quiet: bool) -> Step:
    def say(sentence: str) -> None:
        if not quiet:
            click.echo(sentence, err=True)

    return say


def _day(text: str | None) -> date | None:
    if text is None:
        return None
    try:
        return datetime.strptime(text, "%Y-%m-%d").date()
    except ValueError:
        raise click.UsageError("--as-of is not a date written as YYYY-MM-DD.") from None


def _explain(error: OutcomesError) -> None:
    """List the problems of a rejected export below its two sentences."""
    if isinstance(error, RecordsRejected) and error.problems:
        click.echo(problems_text(error.problems), err=True)


def main() -> None:
    """Run the command line; a user's mistake ends in two sentences, never in a traceback."""
    try:
        cli.main(standalone_mode=False)
    except click.exceptions.Exit as stop:
        sys.exit(stop.exit_code)
    except click.Abort:
        sys.exit(1)
    except click.ClickException as wrong:
        wrong.show()
        sys.exit(2)
    except OutcomesError as error:
        click.echo(f"{error.wrong} {error.remedy}", err=True)
        _explain(error)
        sys.exit(1)
    except Exception as fault:  # a fault of the program: say where, never what, since the message may hold a value
        place = traceback.extract_tb(fault.__traceback__)[-1]
        click.echo(
            f"outcomes met a fault of its own ({type(fault).__name__} at {Path(place.filename).name}:{place.lineno}) "
            "and wrote nothing. Please report this line; it holds no data of yours.",
            err=True,
        )
        sys.exit(1)


if __name__ == "__main__":
    main()
