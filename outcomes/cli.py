"""The command line: parses arguments, calls the four verbs, prints. Exit 0 done, 1 refused, 2 usage."""

from __future__ import annotations

import sys
import traceback
import warnings
from collections.abc import Callable
from dataclasses import fields, replace
from datetime import date, datetime
from pathlib import Path
from typing import Any

import click

from outcomes.errors import OutcomesError
from outcomes.protocol import load_protocol
from outcomes.protocol.commented import commented_default
from outcomes.questions.ask import ask
from outcomes.questions.benchmark import BENCHMARK
from outcomes.questions.benchmark_peers import own_scope
from outcomes.questions.criteria_judge import judge_all
from outcomes.questions.expect import Asked, expect, expect_text
from outcomes.questions.review import review_frame, review_rows
from outcomes.records.actions import read_actions
from outcomes.records.cases import Cases
from outcomes.records.dictionary import data_dictionary, table_schema_text
from outcomes.records.draft import draft_mapping
from outcomes.records.load import RecordsRejected, load
from outcomes.records.load import check as check_export
from outcomes.records.pseudonyms import read_key
from outcomes.records.scope import Scope
from outcomes.records.synthetic import SEED, clinic_files
from outcomes.records.synthetic import synthesize as write_clinic
from outcomes.report.benchmark import compose_benchmark
from outcomes.report.checked import checked_text, problems_text, write_problems
from outcomes.report.compose import compose
from outcomes.report.typeset import typeset

Step = Callable[[str], None]

_EXPORT = click.Path(exists=True, dir_okay=False, path_type=Path)
_FOLDER = click.Path(file_okay=False, path_type=Path)
_TABLES = ("sessions", "layers", "visits")
_CLINIC = (*_TABLES, "mapping")


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


def _audit_options(command: Callable[..., Any]) -> Callable[..., Any]:
    for name, kind, text in (
        ("as-of", str, "Data cut-off as YYYY-MM-DD. [default: the latest date in the data]"),
        ("period", str, "Quarter under audit, such as 2026Q3. [default: the last complete one]"),
        ("config", _EXPORT, "audit.toml, see outcomes config: standards, windows, limits, title."),
    ):
        command = click.option(f"--{name}", type=kind, help=text)(command)
    return command


def _output_options(command: Callable[..., Any]) -> Callable[..., Any]:
    papers = click.Choice(["a4", "letter"])
    command = click.option("--out", type=_FOLDER, help="[default: below reports/]")(command)
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
    export: Path, key_file: Path | None, strict: bool, quiet: bool, out: Path | None, **files: Path | None
) -> None:
    """Say what would be refused in EXPORT, and why; analyse nothing."""
    checked = check_export(export, **files, key=read_key(key_file, out=out), progress=_progress(quiet))
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
@_audit_options
@click.option(
    "--for",
    "audience",
    type=click.Choice(["committee", "clinic"]),
    default="committee",
    show_default=True,
    help="committee: small counts are held back; clinic: they are shown, and the report stays within.",
)
@click.option("--actions", "register", type=_EXPORT, help="Register of actions from earlier audits, as CSV.")
@click.option("--review", is_flag=True, help="Also write review.csv: records to look at, by id, for the clinic alone.")
@_output_options
def audit(
    export: Path | None,
    config: Path | None,
    period: str | None,
    as_of: str | None,
    audience: str,
    register: Path | None,
    review: bool,
    html: bool,
    workbook: bool,
    paper: str,
    out: Path | None,
    **reading: Any,
) -> None:
    """Audit EXPORT: audit.pdf, report.json, tables and figures. Without EXPORT, the invented clinic."""
    say = _progress(reading["quiet"])
    protocol = replace(load_protocol(config), audience=audience)
    if export is None and register is None:
        register = clinic_files()["actions"]
    cases, inputs = _cases(export, out, say, **reading)
    scope = Scope.quarter(period, _day(as_of) or cases.last_date)
    known = None
    if register is not None:
        known = read_actions(register, [c.id for c in protocol.criteria], set(cases.zones["record_id"].astype(str)))
    findings = ask(cases, scope, protocol, register=known, progress=say)
    report = compose(findings, cases, scope, protocol, register=known)
    restricted = None
    if review:
        rows = review_rows(judge_all(cases, scope, protocol), cases, scope, protocol)
        restricted = {"review.csv": review_frame(rows)}
    written = typeset(
        report,
        out or Path("reports") / scope.label,
        inputs=[*inputs, *(path for path in (config, register) if path is not None)],
        paper=paper,
        html=html,
        workbook=workbook,
        restricted=restricted,
        progress=say,
    )
    click.echo(f"The report is {written.pdf}")
    if review:
        click.echo("review.csv names records: keep it within the clinic.")


@cli.command()
@click.argument("export", type=_EXPORT, required=False)
@click.option("--practitioner", required=True, help="Whose records, by the code in the export.")
@_table_options
@_audit_options
@_output_options
def benchmark(
    export: Path | None,
    practitioner: str,
    config: Path | None,
    period: str | None,
    as_of: str | None,
    html: bool,
    workbook: bool,
    paper: str,
    out: Path | None,
    **reading: Any,
) -> None:
    """Set one practitioner's own settings and results beside the pooled peers', for that practitioner."""
    say = _progress(reading["quiet"])
    protocol = load_protocol(config)
    cases, inputs = _cases(export, out, say, **reading)
    scope = own_scope(cases, Scope.quarter(period, _day(as_of) or cases.last_date), practitioner)
    findings = ask(cases, scope, protocol, questions=BENCHMARK, progress=say)
    written = typeset(
        compose_benchmark(findings, cases, scope, protocol),
        out or Path("reports") / f"{scope.label}-own",
        inputs=[*inputs, *([config] if config is not None else [])],
        paper=paper,
        html=html,
        workbook=workbook,
        progress=say,
    )
    click.echo(f"The report is {written.pdf}")


@cli.command(name="expect")
@click.argument("export", type=_EXPORT, required=False)
@click.option("--zone", required=True, help="A zone of the record contract, such as upper_lip.")
@click.option("--skin-type", required=True, help="Fitzpatrick type, I to VI.")
@click.option("--energy", "pulse_energy_mj", type=float, required=True, help="Pulse energy in mJ.")
@click.option(
    "--density", "density_pct", type=float, required=True, help="Share of the skin covered in one pass, in %."
)
@click.option("--passes", type=float, required=True)
@click.option("--age", "age_years", type=int, help="Age in years. [default: the ages in the records]")
@click.option("--spot", "spot_um", type=float, help="Beam width in µm. [default: the protocol's beam class]")
@_table_options
@_audit_options
def expected(export: Path | None, config: Path | None, period: str | None, as_of: str | None, **given: Any) -> None:
    """Say what EXPORT's records show of zones treated at such settings. It recommends none."""
    asked = Asked(**{f.name: given.pop(f.name) for f in fields(Asked)})
    say = _progress(given["quiet"])
    protocol = load_protocol(config)
    cases, _ = _cases(export, None, say, **given)
    scope = Scope.quarter(period, _day(as_of) or cases.last_date)
    (finding,) = ask(
        cases, scope, protocol, questions=(lambda cases, scope, protocol: expect(cases, scope, protocol, asked),)
    )
    click.echo(expect_text(finding))


def _cases(
    export: Path | None,
    out: Path | None,
    say: Step,
    *,
    key_file: Path | None,
    strict: bool,
    quiet: bool,
    **files: Path | None,
) -> tuple[Cases, list[Path]]:
    """Load the export, or the invented clinic where none is given; also the files that were read."""
    key = read_key(key_file, out=out or Path("reports"))
    if export is None:
        if any(files.values()):
            raise click.UsageError("A table or mapping was given without an EXPORT to go with it.")
        say("no export given: reading the invented clinic that comes with outcomes")
        found = clinic_files()
        export, files = found["zones"], {name: found[name] for name in _CLINIC}
    cases = load(export, **files, strict=strict, key=key, progress=say)
    return cases, [export, *(path for path in files.values() if path is not None)]


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
    if isinstance(error, RecordsRejected) and len(error.problems) > 1:  # a single one has been said
        click.echo(problems_text(error.problems), err=True)


def main() -> None:
    """Run the command line; a user's mistake ends in two sentences, never in a traceback."""
    if not sys.warnoptions:
        warnings.simplefilter("ignore")  # a library's warning may hold a value
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
