"""`Report`: what the committee reads, as plain data; report.json is exactly what the PDF prints."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, is_dataclass
from decimal import Context
from numbers import Integral, Real
from typing import Any

from outcomes.estimates.estimate import Answer, Estimate
from outcomes.findings import Exhibit
from outcomes.records.cases import TableCount
from outcomes.records.problems import Problem


@dataclass(frozen=True, slots=True)
class Headline:
    """One key finding: verdict word, sentence, and the section that holds it."""

    verdict: str
    text: str
    section: str


@dataclass(frozen=True, slots=True)
class Request:
    """What the committee is asked to decide or do, and the section that says why."""

    text: str
    section: str


@dataclass(frozen=True, slots=True)
class Volume:
    """One number of the first page's strip, already worded."""

    value: str
    label: str


@dataclass(frozen=True, slots=True)
class Prose:
    """Paragraphs, with notes in the margin beside them.

    Attributes
    ----------
    paragraphs : tuple of str
    margin : tuple of (str, tuple of str)
        Heading and paragraphs of each marginal note.
    lead : str
        A question that the paragraphs answer, set apart; empty for none.
    """

    paragraphs: tuple[str, ...]
    margin: tuple[tuple[str, tuple[str, ...]], ...] = ()
    lead: str = ""


@dataclass(frozen=True, slots=True)
class Subheading:
    """A heading within a section."""

    text: str


@dataclass(frozen=True, slots=True)
class Shown:
    """An exhibit in its place; drawn ones carry the name of their file."""

    exhibit: Exhibit
    name: str


@dataclass(frozen=True, slots=True)
class Ledger:
    """Short lists side by side: what it rests on, what was left out, what it cannot show."""

    columns: tuple[tuple[str, tuple[str, ...]], ...]


@dataclass(frozen=True, slots=True)
class Formula:
    """A formula that the template sets by its name.

    Attributes
    ----------
    name, title : str
    words : str
        The formula spelled out, for readers who do not see it; not printed.
    source : str
    reading : str
        What it says, in plain words beside it.
    """

    name: str
    title: str
    words: str
    source: str
    reading: str = ""


@dataclass(frozen=True, slots=True)
class Checklist:
    """Items of equal rank, set as a list; small where they only document."""

    items: tuple[str, ...]
    small: bool = False


@dataclass(frozen=True, slots=True)
class Columns:
    """Headed texts of equal rank, in two columns; as lists where each text has several points."""

    entries: tuple[tuple[str, tuple[str, ...]], ...]
    listed: bool = False


@dataclass(frozen=True, slots=True)
class Command:
    """A command line, in parts that stay whole."""

    parts: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SignOff:
    """Lines to sign, one a role."""

    roles: tuple[str, ...]


_TEN_DIGITS = Context(prec=10)

Block = Prose | Subheading | Shown | Ledger | Formula | Checklist | Columns | Command | SignOff

_KINDS: dict[type, str] = {
    Prose: "prose",
    Subheading: "subheading",
    Shown: "shown",
    Ledger: "ledger",
    Formula: "formula",
    Checklist: "checklist",
    Columns: "columns",
    Command: "command",
    SignOff: "sign_off",
}


@dataclass(frozen=True, slots=True)
class Section:
    """A numbered section of the report."""

    key: str
    title: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True, slots=True)
class FileDigest:
    """One file that the report was made from; no path."""

    table: str
    kind: str
    sha256: str
    reading: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Report:
    """A report, arranged and worded; nothing is computed after this.

    Attributes
    ----------
    title, organisation, kind : str
        `kind` is ``audit`` or ``benchmark``.
    scope : dict of str to str
        Labels and dates of the period and the baseline, and the data cut-off.
    volume : tuple of Volume
    summary : tuple of str
        Sentences of the first page.
    headlines, further : tuple of Headline
        Key findings on the first page, and those that did not fit there.
    requests : tuple of Request
    caution : str
        The caution of the first page; the full ones are a section.
    sections : tuple of Section
    estimates : tuple of (str, tuple of Estimate or NotEstimable)
        Every number of each finding by its key, for tables/<key>.csv.
    counts : tuple of TableCount
    files : tuple of FileDigest
    versions : tuple of (str, str)
    problems : tuple of Problem
        For problems.csv; no value.
    refused : tuple of (str, int or None, str)
        For refused.csv: table, row, rules.
    """

    title: str
    organisation: str
    kind: str
    scope: Mapping[str, str]
    volume: tuple[Volume, ...]
    summary: tuple[str, ...]
    headlines: tuple[Headline, ...]
    further: tuple[Headline, ...]
    requests: tuple[Request, ...]
    caution: str
    sections: tuple[Section, ...]
    estimates: tuple[tuple[str, tuple[Answer, ...]], ...]
    counts: tuple[TableCount, ...]
    files: tuple[FileDigest, ...]
    versions: tuple[tuple[str, str], ...]
    problems: tuple[Problem, ...] = ()
    refused: tuple[tuple[str, int | None, str], ...] = ()

    def number_of(self, section: str) -> int | None:
        """Number of a section by its key; None where the report has no such section."""
        return next((i + 1 for i, s in enumerate(self.sections) if s.key == section), None)

    def exhibits(self) -> tuple[Shown, ...]:
        """Every exhibit in reading order."""
        return tuple(b for s in self.sections for b in s.blocks if isinstance(b, Shown))


def rounded(value: float) -> float:
    """A number to ten significant digits, the same on every machine.

    Raises
    ------
    ValueError
        If it is not finite.
    """
    if not math.isfinite(value):
        raise ValueError("a report holds finite numbers only")
    return float(_TEN_DIGITS.create_decimal(value))


def plain(value: Any) -> Any:
    """Turn dataclasses, tuples and numbers into what strict JSON can hold, in a fixed order.

    Raises
    ------
    TypeError
        For anything that is not plain data.
    """
    if value is None or isinstance(value, str | bool):
        return value
    if isinstance(value, Integral):
        return int(value)
    if isinstance(value, Real):
        return rounded(float(value))
    if isinstance(value, Estimate) or (is_dataclass(value) and not isinstance(value, type)):
        return {f.name: plain(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, Mapping):
        return {str(key): plain(part) for key, part in value.items()}
    if isinstance(value, Sequence) and not isinstance(value, bytes):
        return [plain(part) for part in value]
    raise TypeError(f"{type(value).__name__} is not plain data")


def kind_of(block: Block) -> str:
    """Name by which the template knows a block."""
    return _KINDS[type(block)]
