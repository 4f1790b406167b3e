"""The parts of the published page that have tables of their own."""

from __future__ import annotations

import math
from collections import defaultdict
from typing import Any

from cells import Cell
from clinics import METHODS
from counting import CERTAIN, FLAG_NOMINAL, WIDEST_TAIL, Counted, cell_words, limits, percent, verdict
from shares import PRODUCT
from thresholds import QUANTILES

WRONG = 0.025
LIKELY_CORRELATION = 0.25


def table(heads: list[str], rows: list[list[str]]) -> list[str]:
    """A table in Markdown."""
    return [f"| {' | '.join(heads)} |", "|---" * len(heads) + "|", *(f"| {' | '.join(row)} |" for row in rows)]


def between(values: list[float]) -> str:
    """Lowest, median and highest of some shares, in per cent."""
    ordered = sorted(values)
    return ", ".join(percent(v) for v in (ordered[0], ordered[len(ordered) // 2], ordered[-1]))


def replicates(rows: list[Counted]) -> str:
    """How many replicates each cell has."""
    counts = sorted({row.asked for row in rows})
    return f"{counts[0]:,}" if len(counts) == 1 else f"{counts[0]:,} to {counts[-1]:,}"


def by_method(rows: list[Counted]) -> dict[str, list[Counted]]:
    """Rows of each method, in the order met."""
    found: dict[str, list[Counted]] = defaultdict(list)
    for row in rows:
        found[row.method].append(row)
    return found


def tail_fails(row: Counted, most: float = WIDEST_TAIL) -> bool:
    """Whether one tail is above what is allowed beyond Monte Carlo error."""
    return max(limits(row.below, row.answered)[0], limits(row.above, row.answered)[0]) > most


def shares_tried(rows: list[Counted]) -> list[str]:
    """Every interval of a clustered share that was tried, and how wide it is."""
    rows = [row for row in rows if row.cell.study == "shares"]
    if not rows:
        return []
    published = {row.cell: row.width for row in rows if row.method == "Korn–Graubard as published"}
    lines, sound = [], {}
    for method, members in by_method(rows).items():
        relative = [row.width / published[row.cell] for row in members]
        easy = [row.width / published[row.cell] for row in members if row.cell.alpha <= 0.08 and row.events >= 15]
        width = sum(easy) / max(1, len(easy))
        if not any(verdict(r) == "fails" or tail_fails(r) for r in members if r.cell.alpha <= LIKELY_CORRELATION):
            sound[method] = width
        lines.append([
            method, between([row.coverage for row in members]), str(sum(verdict(row) == "fails" for row in members)),
            str(sum(tail_fails(row) for row in members)),
            percent(max(max(row.below, row.above) / row.answered for row in members)),
            f"{sum(relative) / len(relative):.2f}", f"{width:.2f}",
        ])  # fmt: skip
    return [
        "## Shares of zones: what was tried",
        "",
        f"{len(published)} cells of {replicates(rows)} replicates: those of the rates above, with other draws, and shares of 30 to "
        "98 %, correlation up to 0.5. Width is the mean over cells of the mean width over that of Korn and Graubard's limits as "
        "published; the last column takes the easier cells alone, correlation up to 0.08 and 15 events or more. "
        + _why_chosen(sound),
        "",
        *table(
            ["interval", "coverage: lowest, median, highest (%)", "cells below 94 %", "cells with a tail above 3.5 %",
             "largest tail, %", "width", "width where easy"],
            lines,
        ),
        "",
    ]  # fmt: skip


def _why_chosen(sound: dict[str, float]) -> str:
    asked = (
        f"leave no cell of a correlation up to {LIKELY_CORRELATION:g} with a coverage below 94 % or a tail above "
        f"{100 * WIDEST_TAIL:g} % beyond Monte Carlo error"
    )
    if PRODUCT not in sound:
        return f"The product's limits do not {asked}."
    name = PRODUCT.removesuffix(" (product)")
    narrower = [f"*{method}*" for method, width in sound.items() if width < sound[PRODUCT]]
    return (
        f"{len(sound)} methods {asked}. Narrower in those easier cells than the product's, *{name}*, "
        f"{'are ' if len(narrower) > 1 else 'is '}{', '.join(narrower) or 'none of them'}."
    )


def odds_ratios_tried(rows: list[Counted]) -> list[str]:
    """Every way to the interval of an odds ratio that was tried."""
    rows = [row for row in rows if row.cell.study == "compared" and not row.cell.kept_aside]
    if not rows:
        return []
    lines = []
    for method, members in by_method(rows).items():
        judged = [row for row in members if verdict(row) != "mostly cannot say"]
        if not judged:
            continue
        pooled = sum(r.below + r.above for r in judged) / sum(r.answered for r in judged)
        lines.append([
            method, str(len(members)), replicates(members), between([row.coverage for row in judged]), percent(1 - pooled),
            str(sum(verdict(row) == "fails" for row in members)), str(sum(tail_fails(row) for row in members)),
            str(len(members) - len(judged)),
        ])  # fmt: skip
    return [
        "## Odds ratios: what was tried",
        "",
        "Exposure yes or no, by zone or by patient, odds ratio ½ to 4, a case-mix factor allowed for. Many replicates are fitted at "
        "once; whether an interval holds the truth is told from the deviance at the truth, which is the same thing, and a test "
        "holds it against the product's own fit. The slower methods ran on 24 of the cells, chosen to span the design, and on "
        "fewer replicates: their lowest and highest are mostly Monte Carlo error, the mean over all replicates is not. Cells in "
        "which more than a fifth is answered by \"cannot say\" are counted in the last column and in no other.",
        "",
        *table(
            ["method", "cells", "replicates a cell", "coverage: lowest, median, highest (%)", "over all replicates, %",
             "cells below 94 %", "cells with a tail above 3.5 %", "mostly cannot say"],
            lines,
        ),
        "",
    ]  # fmt: skip


def flags(rows: list[Counted]) -> list[str]:
    """Within one comparison: false flags by each rule that was tried, and how often one who is not alike is found."""
    rows = [row for row in rows if row.cell.study == "flagging"]
    alike = [row for row in rows if row.cell.odds_ratio == 1 and not row.cell.kept_aside]
    if not alike:
        return []
    lines = []
    for level in FLAG_NOMINAL:
        for rule in dict.fromkeys(row.method.split(":")[0] for row in alike):
            one = [r for r in alike if r.method == f"{rule}: a practitioner flagged, {level}"]
            anybody = [r for r in alike if r.method == f"{rule}: a comparison that flags anybody alike, {level}"]
            found = [
                [
                    r.below / r.answered
                    for r in rows
                    if r.cell.odds_ratio == ratio and r.method == f"{rule}: the one with other odds flagged, {level}"
                ]
                for ratio in (2.0, 4.0)
            ]
            lines.append([
                rule, level, between([r.below / r.answered for r in one]), between([r.below / r.answered for r in anybody]),
                str(sum(verdict(r) == "fails" for r in anybody)), *(between(values) if values else "–" for values in found),
            ])  # fmt: skip
    return [
        "## Flags within one comparison: what was tried",
        "",
        "The p value behind a flag, adjusted within a comparison (one outcome, all practitioners), by the rules that were tried. "
        f"{replicates(alike)} tests a cell. Lowest, median and highest cell, in %.",
        "",
        *table(
            ["rule", "limit", "a practitioner flagged, all alike", "a comparison that flags anybody, all alike",
             "cells failing", "found at odds ratio 2", "found at odds ratio 4"],
            lines,
        ),
        "",
    ]  # fmt: skip


def null_audits(rows: list[Counted]) -> list[str]:
    """Audits of practitioners who are all alike that flag anybody, and how often one who is not is found."""
    rows = [row for row in rows if row.cell.study == "null audit"]
    alike = [row for row in rows if row.cell.odds_ratio == 1]
    if not alike:
        return []
    lines = []
    for level in FLAG_NOMINAL:
        for rule in dict.fromkeys(row.method.split(":")[0] for row in alike):
            anybody = [r for r in alike if r.method == f"{rule}: an audit that flags anybody, {level}"]
            if not anybody:
                continue
            found = [
                [
                    r.below / r.answered
                    for r in rows
                    if r.cell.odds_ratio == ratio
                    and r.method == f"{rule}: the one with other odds flagged anywhere, {level}"
                ]
                for ratio in (2.0, 4.0)
            ]
            lines.append([
                rule, level, between([r.below / r.answered for r in anybody]),
                str(sum(verdict(r) == "fails" for r in anybody)), *(between(values) if values else "–" for values in found),
            ])  # fmt: skip
    return [
        "## Flags on practitioners, over a whole audit",
        "",
        "1,200 patients of 3, 6 or 12 practitioners, equal or one with 55 %; three outcomes, each over all zones and off the "
        f"face. {replicates(alike)} audits a cell in which everybody is alike; and as many with one whose odds of one outcome are 2 "
        "or 4 times as high. Lowest, median and highest cell, in %. The product's rule allows for everything that an audit "
        "compares, so that at most 5 of 100 audits of practitioners who are all alike should flag anybody; the rule within "
        "each comparison is what calls a row worth a look, which is no flag.",
        "",
        *table(
            ["rule", "limit", "audits that flag anybody, all alike", "cells failing", "found at odds ratio 2",
             "found at odds ratio 4"],
            lines,
        ),
        "",
    ]  # fmt: skip


def null_settings(rows: list[Counted]) -> list[str]:
    """Audits in which no setting matters that call one associated."""
    rows = [row for row in rows if row.cell.study == "null settings"]
    if not rows:
        return []
    lines = [
        [method, str(len(members)), replicates(members), between([r.below / r.answered for r in members]),
         str(sum(limits(r.below, r.answered)[0] > FLAG_NOMINAL["95 %"] for r in members))]
        for method, members in by_method(rows).items()
    ]  # fmt: skip
    return [
        "## Settings that do not matter",
        "",
        "Three settings drawn without regard to three outcomes: nine adjusted odds ratios an audit. Lowest, median and highest "
        "cell, in %.",
        "",
        *table(["verdict", "cells", "audits a cell", "audits", "cells above 5 % beyond Monte Carlo error"], lines),
        "",
    ]


def bounds(rows: list[Counted]) -> list[str]:
    """Bounds where no event was seen, or nothing but events."""
    rows = [row for row in rows if row.cell.study == "ends"]
    if not rows:
        return []
    lines = [
        [
            aside_words(r.cell),
            r.method.removesuffix(" (product)"),
            f"{r.answered:,}",
            percent((r.below + r.above) / r.answered),
        ]
        for r in rows
    ]
    return [
        "## No event seen, or nothing but events",
        "",
        "Of all replicates, the share in which no event was seen (or nothing but events) and the bound that is printed then left "
        "the truth out, in %. At most 2.5 is aimed at.",
        "",
        *table(["cell", "what is counted", "replicates", "of all, %"], lines),
        "",
    ]


def standards(rows: list[Counted]) -> list[str]:
    """Wrong verdicts of a standard whose truth is its target."""
    rows = [row for row in rows if row.cell.study == "standard" and not row.cell.kept_aside]
    if not rows:
        return []
    wrong = [(max(r.below, r.above) / r.answered, r) for r in rows]
    failing = [r for _, r in wrong if tail_fails(r, WRONG)]
    told = {side: sum(getattr(r, side) for r in rows) / sum(r.answered for r in rows) for side in ("below", "above")}
    lines = [
        [cell_words(r.cell), f"{r.events:.0f}", percent(r.below / r.answered), percent(r.above / r.answered)]
        for r in sorted(failing, key=lambda r: -max(r.below, r.above) / r.answered)
    ]
    text = [
        "## A standard exactly at its target",
        "",
        f"{len(rows)} cells of {replicates(rows)} replicates: 60, 150 or 400 patients, targets of 2 to 20 % at most and 75 to 95 % at "
        "least, the truth exactly the target, judged by the product's verdict. Met, and not met, are aimed to come in "
        f"2.5 of 100 at most, each. Over all replicates the interval lay above the target in {percent(told['below'])} % and "
        f"below it in {percent(told['above'])} %; the largest share in a cell was {percent(max(w for w, _ in wrong))} %. "
        f"{len(failing)} cells are above 2.5 % beyond Monte Carlo error"
        + (":" if lines else "."),
        "",
    ]  # fmt: skip
    if lines:
        text += [*table(["cell", "rarer result, mean count", "above the target, %", "below the target, %"], lines), ""]
    return text


def charts(rows: list[Counted]) -> list[str]:
    """Stated and simulated run lengths of the control chart."""
    rows = [row for row in rows if row.cell.study == "chart"]
    if not rows:
        return []
    lines = []
    for r in rows:
        s, n = r.sums, r.answered
        blocks = n / 500
        mean = s["cases"] / n
        error = math.sqrt(max(0.0, s["squares"] / n - mean**2) / n)
        words = r.method.removeprefix("control chart, ").removesuffix(" (product)")
        lines.append([
            f"{100 * r.cell.risk:g} %", f"{r.cell.odds_ratio:g}", words, f"{n:,}", f"{s['stated'] / blocks:,.0f}",
            f"{mean:,.0f} ± {CERTAIN * error:,.0f}",
            *(f"{percent(s[f'by stated {q}'] / n)}" for q in QUANTILES),
        ])  # fmt: skip
    return [
        "## The control chart",
        "",
        "Eight kinds of case whose log odds differ with a standard deviation of 0.7; the limit set for one false signal in 1,000 "
        "cases. Mean cases until a signal, as stated and as simulated (± 99 % Monte Carlo error), and what share of charts had "
        "signalled by the stated quantiles, in %.",
        "",
        *table(
            ["mean risk", "odds ratio asked for", "truth", "charts", "stated mean", "simulated mean",
             *(f"by the stated {100 * q:g} %" for q in QUANTILES)],
            lines,
        ),
        "",
    ]  # fmt: skip


def whole_clinics(rows: list[dict[str, Any]], planned: int) -> list[str]:
    """What whole audits of invented clinics held, missed and flagged."""
    if not rows:
        return []
    lines = []
    for kind in rows[0]["held"]:
        held, missed, unsaid = (sum(r[what][kind] for r in rows) for what in ("held", "missed", "cannot say"))
        low, high = limits(held, held + missed) if held + missed else (0.0, 1.0)
        share = f"{percent(held / (held + missed))} ({percent(low)} to {percent(high)})" if held + missed else "–"
        lines.append([kind, f"{held:,}", f"{missed:,}", f"{unsaid:,}", share])
    total = {key: sum(r[key] for r in rows) for key in (
        "alike_judged", "alike_flagged", "worse_judged", "worse_flagged", "null_rows", "null_associated"
    )}  # fmt: skip
    anybody = sum(r["alike_flagged"] > 0 for r in rows)
    null = sum(r["null_associated"] > 0 for r in rows)
    sizes = sorted(r["plan"]["patients"] for r in rows)
    older = sum(r.get("methods", 1) < METHODS for r in rows)
    before = (
        f" {older} of them ran before the limits of odds ratios and healing curves were widened, and before flags "
        "allowed for the whole audit."
        if older
        else ""
    )
    return [
        "## Whole invented clinics, from export to verdict",
        "",
        f"{len(rows)} of {planned} clinics of a Latin hypercube have been run: {sizes[0]} to {sizes[-1]} patients, four "
        "quarters, with and without faults in the files, 60 to 100 % of the follow-up visits kept. Each is written, read and "
        "audited by the public functions: complications, settings, healing, practitioners. Intervals of one clinic are not "
        f"independent; the Monte Carlo interval takes them as if they were.{before}",
        "",
        *table(["answer", "held the truth", "missed it", "cannot say", "coverage (99 % interval), %"], lines),
        "",
        f"Practitioners who are like everybody: {total['alike_flagged']:,} of {total['alike_judged']:,} verdicts outside limits, in "
        f"{anybody} of {len(rows)} clinics. The one who is not: {total['worse_flagged']:,} of {total['worse_judged']:,}. "
        f"Settings without an effect called associated: {total['null_associated']:,} of {total['null_rows']:,}, in {null} of "
        f"{len(rows)} clinics.",
        "",
    ]


def aside_words(cell: Cell) -> str:
    """Marks a cell that was kept aside."""
    return f"{cell_words(cell)} (kept aside)" if cell.kept_aside else cell_words(cell)
