"""The sections of the report, one function each, and the order they stand in."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Mapping, Sequence

from outcomes import wording
from outcomes.findings import Finding, Grid
from outcomes.protocol import Protocol
from outcomes.questions.criteria_defined import criteria_defined
from outcomes.records.actions import ActionRegister
from outcomes.records.cases import Cases
from outcomes.records.scope import Scope
from outcomes.records.vocabulary import DELAYED_HEALING_DAYS, PROLONGED_REDNESS_DAY, REGIONS, Outcome
from outcomes.report import measured, texts
from outcomes.report.document import (
    Block,
    Checklist,
    Columns,
    Command,
    Ledger,
    Prose,
    Section,
    Shown,
    SignOff,
    Subheading,
)
from outcomes.report.formulas import formulas_for

_MOST_REASONS = 8
_GIVEN = ("sessions", "layers", "visits", "mapping", "actions")
_OTHER_ROW = re.compile(r"\brow \d[\d,]*")
_KIND_WORDS = {"csv": "CSV", "xlsx": "XLSX", "parquet": "Parquet"}
_CONTACT_WORDS = {"in_person": "in person", "video": "video", "photo": "photo", "phone": "telephone"}


def data_quality(cases: Cases) -> Section:
    """What was read, what was accepted, what was set aside and why."""
    source = cases.source
    zones = source.count("zones")
    kept = wording.percent(zones.rows_accepted / zones.rows_read) if zones.rows_read else "none"
    says = [
        f"Of {wording.plural(zones.rows_read, 'row')} of treated zones, {wording.count(zones.rows_accepted)} were "
        f"accepted ({kept}) and {wording.count(zones.rows_refused)} set aside. Every figure of this report rests "
        "on accepted rows only."
    ]
    if any(c.rows_refused for c in source.counts):
        says.append(
            "A row is set aside when it breaks a rule of the record contract; nothing is corrected by guessing. "
            "refused.csv lists every such row by table and row number, problems.csv every rule it breaks."
        )
    counts = Grid(
        "Rows read, accepted and set aside",
        ("Table", "Read", "Accepted", "Set aside", "Set aside, %"),
        tuple(
            (
                wording.capital(c.table),
                wording.count(c.rows_read),
                wording.count(c.rows_accepted),
                wording.count(c.rows_refused),
                wording.percent(c.rows_refused / c.rows_read, sign=False) if c.rows_read else "–",
            )
            for c in source.counts
        ),
        number_columns=(1, 2, 3, 4),
        note="A follow-up visit that speaks for a whole session is one row here.",
    )
    blocks: list[Block] = [
        Prose(tuple(says)),
        Shown(counts, "data_quality_1"),
        Shown(_reasons(cases), "data_quality_2"),
        Shown(_files(cases), "data_quality_3"),
    ]
    if source.notes:
        blocks += [Subheading("What was normalised while reading"), Checklist(source.notes, small=True)]
    return Section("data_quality", "Data quality", tuple(blocks))


def _reasons(cases: Cases) -> Grid:
    rows: dict[tuple[str, str, str], set[int]] = defaultdict(set)
    for problem in cases.problems:
        if problem.row is not None and not problem.fatal:
            rule = _OTHER_ROW.sub("another row", problem.rule)
            rows[problem.table, problem.column, rule].add(problem.row)
    ordered = sorted(rows.items(), key=lambda item: (-len(item[1]), item[0]))
    lines = [
        (wording.capital(table), column or "whole row", rule, wording.count(len(found)))
        for (table, column, rule), found in ordered[:_MOST_REASONS]
    ]
    note = "A row that breaks several rules counts under each, so the counts need not add up to the rows set aside."
    if len(ordered) > _MOST_REASONS:
        note += f" The {wording.count(len(ordered) - _MOST_REASONS)} rarest further rules are listed in problems.csv."
    return Grid(
        "Rules that were broken, by number of rows",
        ("Table", "Column, as exported", "Rule or fault", "Rows"),
        tuple(lines),
        number_columns=(3,),
        note=note if lines else "No row broke a rule.",
    )


def _files(cases: Cases) -> Grid:
    source = cases.source
    rows = [
        (wording.capital(f.table), _KIND_WORDS.get(f.kind, f.kind), "; ".join(f.reading) or "as declared", f.sha256)
        for f in source.files
    ]
    if source.mapping_sha256 is not None:
        rows.append(("Mapping", "TOML", "headers, codes and units", source.mapping_sha256))
    return Grid(
        "Files and their fingerprints",
        ("Table", "Kind", "Read as", "SHA-256"),
        tuple(rows),
        note="The fingerprint identifies the file: another file, or the same file changed, has another.",
    )


def finding_section(finding: Finding, asked: str = texts.REQUESTS_HEADINGS["audit"]) -> Section:
    """One question: what was asked, what the records say, exhibits, what it rests on and cannot show."""
    margin: list[tuple[str, tuple[str, ...]]] = []
    if finding.denominators:
        margin.append(("Rests on", (finding.denominators,)))
    if finding.methods:
        margin.append(("How it was computed", finding.methods))
    blocks: list[Block] = [Prose(finding.says, tuple(margin), lead=finding.asks)]
    blocks += [Shown(exhibit, f"{finding.key}_{i}") for i, exhibit in enumerate(finding.exhibits, start=1)]
    columns = [
        (head, entries)
        for head, entries in (
            ("Left out, and why", finding.exclusions),
            ("What it cannot show", finding.caveats),
            (asked, finding.requests),
        )
        if entries
    ]
    if columns:
        blocks.append(Ledger(tuple(columns)))
    return Section(finding.key, finding.title, tuple(blocks))


def methods(findings: Sequence[Finding], scope: Scope) -> Section:
    """How the answers were computed: by question, then the formulas in full."""
    unit = (
        "The unit is a treated zone: one area of skin treated in one session. Rates and case-mix look at the period "
        f"{scope.label} beside the baseline {scope.baseline_label}; models of settings, healing and practitioners use "
        "all records that have had their time by the period's end, because one quarter alone could say almost nothing. "
        "What was asked, of whom, and by which method was fixed in the protocol, not chosen from the results."
    )
    by_question = ((finding.title, finding.methods) for finding in findings if finding.methods)
    blocks: list[Block] = [Columns((("Unit and periods", (unit,)), *by_question))]
    said = [*(m for f in findings for m in f.methods), *(a.method for f in findings for a in f.estimates)]
    formulas = formulas_for(said)
    if formulas:
        blocks.append(Subheading("Formulas"))
        blocks += formulas
    return Section("methods", "Methods", tuple(blocks))


def _window(outcome: Outcome) -> tuple[str, str, str, str]:
    if outcome.derived_from == "healing":
        counts = f"not healed by day {DELAYED_HEALING_DAYS['face']} (off the face {DELAYED_HEALING_DAYS['off_face']})"
        free = "from its days of healing"
    elif outcome.derived_from == "redness":
        counts = f"still red after day {PROLONGED_REDNESS_DAY}"
        free = "from its days of redness"
    else:
        counts = "any day" if outcome.window_days is None else f"up to day {outcome.window_days}"
        day = outcome.seen_from_day
        free = "asked about on any day" if day == 0 else f"seen on or after day {day}"
    where = "session" if outcome.kind == "session" else "zone"
    if outcome.regions is not None:
        where += f" ({wording.listing([REGIONS[r] for r in outcome.regions])} only)"
    contacts = (
        "any"
        if len(outcome.contacts) == len(_CONTACT_WORDS)
        else wording.listing([_CONTACT_WORDS[c] for c in outcome.contacts], "or")
    )
    return where, counts, free, contacts


def definitions(protocol: Protocol) -> Section:
    """What each complication is, when it counts, and when its absence is believed."""
    alike: dict[tuple[str, ...], list[str]] = {}
    for outcome in protocol.outcomes:
        alike.setdefault(_window(outcome), []).append(wording.decapital(outcome.label))
    rows = tuple((wording.capital(wording.listing(names)), *window) for window, names in alike.items())
    table = Grid(
        "Complications: when they count, and when their absence is believed",
        ("Complication", "Belongs to", "Counts", "Free of it if", "Contact that can tell"),
        rows,
        note="Windows are common practice without a source and can be changed in the protocol.",
    )
    says = [
        "A complication that was not looked for is not a no. A zone counts as free of it only if it was seen, by a "
        "contact that can tell, on or after the day in the table, or if a later answer settles it.",
    ]
    if protocol.changed:
        says.append(
            f"Entries of the protocol set for this audit: {wording.listing(protocol.changed)}. The rest are its "
            "defaults."
        )
    else:
        says.append("The protocol's defaults are in force; no entry was changed for this audit.")
    criteria = Shown(criteria_defined(protocol), "definitions_2")
    return Section(
        "definitions", "Definitions and windows", (Prose(tuple(says)), Shown(table, "definitions_1"), criteria)
    )


def limits(protocol: Protocol) -> Section:
    """What the audit cannot show, and how it must not be used."""
    return Section(
        "limits",
        "Limits and cautions",
        (
            Columns(
                (
                    ("What this audit cannot show", (*texts.LIMITS, *measured.sentences())),
                    ("How it must not be used", (*texts.CAUTIONS, disclosed(protocol))),
                ),
                listed=True,
            ),
        ),
    )


def disclosed(protocol: Protocol) -> str:
    """What is held back of the report, for the audience it was made for."""
    most = wording.count(protocol.disclosure.smallest_count - 1)
    return texts.DISCLOSURE[protocol.audience].format(most=most)


def reproducibility(
    scope: Scope, versions: Sequence[tuple[str, str]], protocol: Protocol, files: Mapping[str, str]
) -> Section:
    """How the same bytes are made again: command, fingerprints, versions."""
    command = ["outcomes audit EXPORT", f"--period {scope.label}", f"--as-of {scope.as_of.isoformat()}"]
    command += [f"--{table} {table.upper()}" for table in _GIVEN if table in files]
    if protocol.sha256:
        command.append("--config CONFIG")
    if protocol.audience != "committee":
        command.append(f"--for {protocol.audience}")
    says = [
        "Every number, table and figure comes from one run on the files whose fingerprints stand under Data quality. "
        "The same files and versions give the same report, byte for byte; report.json holds every number printed here.",
    ]
    further = []
    if protocol.sha256:
        further.append(f"fingerprint of the configuration (SHA-256): {protocol.sha256}")
    if "actions" in files:
        further.append(f"fingerprint of the register of actions (SHA-256): {files['actions']}")
    further.append(f"versions: {', '.join(f'{name} {number}' for name, number in versions)}")
    blocks = (Prose(tuple(says)), Command(tuple(command)), Checklist(tuple(further), small=True))
    return Section("reproducibility", "Reproducibility", blocks)


def sign_off() -> Section:
    """Who has read it."""
    return Section(
        "sign_off",
        "Sign-off",
        (
            Prose(("Signing says that the report was read and its requests considered; it does not settle them.",)),
            SignOff(texts.ROLES),
        ),
    )


def audit_layout(
    findings: Sequence[Finding],
    cases: Cases,
    scope: Scope,
    protocol: Protocol,
    versions: Sequence[tuple[str, str]],
    register: ActionRegister | None = None,
) -> tuple[Section, ...]:
    """Arrange the audit: one section a question, then the data behind them, then how and how far to trust it."""
    files = {f.table: f.sha256 for f in cases.source.files}
    if cases.source.mapping_sha256 is not None:
        files["mapping"] = cases.source.mapping_sha256
    if register is not None:
        files["actions"] = register.sha256
    return (
        *(finding_section(finding) for finding in findings),
        data_quality(cases),
        methods(findings, scope),
        definitions(protocol),
        limits(protocol),
        reproducibility(scope, versions, protocol, files),
        sign_off(),
    )
