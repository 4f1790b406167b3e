"""Walking a report: every sentence with the section it stands in, and every number that the data of a section hold."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

from outcomes import wording

Data = dict[str, Any]

NUMBER = re.compile(r"(?<![\w.,])[−]?\d[\d,]*(?:\.\d+)?")
NOT_OF_THE_RECORDS = {
    # what is not looked up: why
    r"\d{4}Q[1-4](?:–\d{4}Q[1-4])?": "names of quarters",
    r"doi:\S+": "an address of a publication",
    r"\b(?:19|20)\d\d(?:;[\d:()–]+)?": "years, and the volume and pages after them",
    r"\d{1,2} (?:January|February|March|April|May|June|July|August|September|October|November|December)": "days",
    r"95 % (?:CI|intervals|limits|of what other patients)|(?:outside|at) (?:95|99\.8) %|limits of 95 % and 99\.8 %": "levels",
    r"[Ss]ections? \d+|(?:Table|Figure) \d+": "places in the report",
    r"SHA-256|CO2|UTF-8|2 × 2": "names",
    r"(?<=means at equal zone lie within )[\d.]+ (?:mJ|points|passes)": "a reason for cannot say, of no exhibit",
    r"risk ratio of at least [\d.]+ each; to bring the interval to 1, [\d.]+": "E-values, from the ratio and its limit",
    r"on average, one of the .*? on average\.$": "run lengths of control charts, from the protocol",
    r"[\d,]+ not yet mature": "records left out, counted in the same words under what was left out",
    r"as there are practitioners \(\d+\)": "practitioners, who have a section of their own",
    r"counts from 1 to 4": "the protocol's smallest count",
    r"Dose: .*? or more\.": "the protocol's limits of anaesthesia",
    r"\d+ days (?:longer ago|before)": "the protocol's days",
}

OF_A_PRACTITIONER = {
    r"(?<=zones of )\d+ patients in \d+ sessions(?=\.)": "the baseline, whose zones stand in the strip of the first page",
    r"factor of [\d.]+": "what the protocol's charts look for",
    r"a false alarm about every \d+ years|found after about \d+ months": "run lengths of a control chart, from the protocol",
}


def texts_in(value: Any, skip: tuple[str, ...] = ()) -> Iterator[str]:
    """Every string in data, in order."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        for key, part in value.items():
            if key not in skip:
                yield from texts_in(part, skip)
    elif isinstance(value, list):
        for part in value:
            yield from texts_in(part, skip)


def numbers_in(text: str) -> set[str]:
    """Numbers of a text as they are printed, without what is not of the records."""
    for known in (*NOT_OF_THE_RECORDS, *OF_A_PRACTITIONER):
        text = re.sub(known, " ", text)
    return {n.rstrip(",") for n in NUMBER.findall(text)}


def _worded(value: float, unit: str) -> set[str]:
    """One number in the ways that the wording room prints it."""
    ways = {wording.value_text(v, unit) for v in (value, abs(value))} | {wording.points(v) for v in (value, abs(value))}
    ways |= {wording.percent(abs(value), sign=False), wording.quantity(abs(value)), wording.count(round(abs(value)))}
    return ways | {wording.decimal(value, places) for places in (1, 2)} | {wording.decimal(-value, 1)}


def _complements(answer: Data) -> set[str]:
    """Records without the event, and those not known where the note says how many are: "485 of 624 known"."""
    left = set()
    if answer.get("n") is not None and answer.get("events") is not None:
        left.add(wording.count(int(answer["n"] - answer["events"])))
    for known, total in re.findall(r"(\d+) of (\d+) known", answer.get("note", "")):
        left |= {wording.count(int(known)), wording.count(int(total) - int(known))}
    high = answer.get("conf_high", answer.get("high"))
    if answer["unit"] == "proportion" and high:
        left |= set(NUMBER.findall(wording.one_in(high)))
    return left


def _of_answers(answers: list[Data]) -> set[str]:
    known: set[str] = set()
    for a in answers:
        known |= {wording.count(int(a[k])) for k in ("n", "patients", "events") if a.get(k) is not None}
        known |= _complements(a)
        for name in ("estimate", "value", "conf_low", "low", "conf_high", "high"):
            if isinstance(a.get(name), int | float):
                known |= _worded(a[name], a["unit"])
    return known


def _floats(value: Any) -> Iterator[float]:
    if isinstance(value, dict):
        for part in value.values():
            yield from _floats(part)
    elif isinstance(value, list):
        for part in value:
            yield from _floats(part)
    elif isinstance(value, int | float) and not isinstance(value, bool):
        yield float(value)


def _dated(value: Any) -> Iterator[Data]:
    """Answers inside the numbers of a figure."""
    if isinstance(value, dict):
        if "term" in value and "unit" in value:
            yield value
        for part in value.values():
            yield from _dated(part)
    elif isinstance(value, list):
        for part in value:
            yield from _dated(part)


def known_to(section: Data, data: Data) -> set[str]:
    """Numbers of a section outside its sentences: its estimates, tables, figures and denominators."""
    known = _of_answers(data["estimates"].get(section["key"], []))
    for block in section["blocks"]:
        if block["kind"] == "shown":
            known.add(wording.count(len(block.get("rows", []))))
            for part in (block.get("rows", []), block.get("as_table", {}), block.get("headers", [])):
                known |= set().union(*map(numbers_in, texts_in(part, skip=("term", "method", "note"))))
            known |= _of_answers(list(_dated(block.get("numbers", {}))))
            known |= set().union(*(_worded(v, "") for v in _floats(block.get("numbers", {}))))
        for head, parts in block.get("margin", []):
            if head == "Rests on":
                known |= set().union(*map(numbers_in, parts))
    return known


def known_to_all(data: Data) -> set[str]:
    """Numbers that any sentence may say: rows read, the strip of the first page, periods."""
    known = {wording.count(t[k]) for t in data["tables"] for k in ("rows_read", "rows_accepted", "rows_refused")}
    known |= {wording.count(sum(t[k] for t in data["tables"])) for k in ("rows_read", "rows_accepted", "rows_refused")}
    return known.union(*(numbers_in(v["value"]) for v in data["volume"]), *map(numbers_in, data["scope"].values()))


def sentences(section: Data) -> Iterator[tuple[str, str]]:
    """Kind and text of all that a section says, without the cells of its tables."""
    for block in section["blocks"]:
        if block["kind"] == "prose":
            yield from (("says", text) for text in block["paragraphs"])
            for head, parts in block["margin"]:
                if head != "Rests on":
                    yield from ((head, text) for text in parts)
        elif block["kind"] == "shown":
            for name in ("title", "note", "reading", "basis", "alt"):
                yield name, block.get(name) or ""
        elif block["kind"] == "ledger":
            yield from ((head, text) for head, entries in block["columns"] for text in entries)
