"""What became of earlier actions, and which new ones do the failed standards ask for?"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta

from outcomes.findings import Exhibit, Finding, Grid
from outcomes.protocol import Protocol
from outcomes.questions.criteria_judge import Judged, printable
from outcomes.questions.standards import plural_word, shortfall, target_text
from outcomes.records.actions import Action, ActionRegister
from outcomes.records.scope import Scope, quarter_of, quarter_start
from outcomes.wording import capital, count, day_text, decapital, listing, number_word, plural

_STATES = ("Overdue", "Open", "Closed without evidence", "Closed")
_MOST_PROBLEMS = 8
FEWEST_DAYS_TO_ACT = 28  # a date nearer than this is no plan; our own choice


def actions(register: ActionRegister | None, judged: Sequence[Judged], scope: Scope, protocol: Protocol) -> Finding:
    """What became of earlier actions, and which new ones do the failed standards ask for?

    Parameters
    ----------
    register : ActionRegister or None
        As `records.actions.read_actions` gives it; None where no register was given.
    judged : sequence of Judged
        As `criteria_judge.judge_all` gives them; each that is not met becomes a proposal.
    """
    entries = () if register is None else register.actions
    missed = [j for j in printable(judged, protocol) if j.now.verdict == "not met"]
    due = proposed_due(scope)
    exhibits: list[Exhibit] = []
    if entries:
        exhibits.append(_register(entries, scope, protocol))
    if missed:
        exhibits.append(_proposals(missed, entries, due, scope))
    overdue = [entry for entry in entries if state_of(entry, scope.as_of) == "Overdue"]
    return Finding(
        key="actions",
        title="Actions",
        asks="What became of the actions of earlier audits, and what do the standards that were not met ask for?",
        says=_sentences(register, missed, due, scope),
        brief=_brief(register, overdue, missed),
        headlines=_headlines(overdue, scope),
        exhibits=tuple(exhibits),
        denominators=_denominators(register),
        exclusions=_exclusions(register),
        methods=(
            "Overdue: open, and due before the cut-off. A proposal is drafted from every criterion that is not met, for the "
            "role that the protocol makes answerable, due at the end of the next quarter. The wording is a draft: what the "
            "records cannot tell is why the criterion was missed.",
        ),
        caveats=(
            "The register is what the clinic wrote down; whether an action was done, and whether it helped, the audit cannot "
            "see beyond the criterion's own verdict.",
        ),
        requests=_requests(overdue, missed),
    )


def state_of(entry: Action, as_of: date) -> str:
    """Whether an action is overdue, open, or closed with or without evidence.

    Examples
    --------
    >>> state_of(Action(2, "x", "", "nurse lead", date(2026, 9, 30), True), date(2026, 10, 14))
    'Overdue'
    """
    if entry.open:
        return "Overdue" if entry.due < as_of else "Open"
    return "Closed" if entry.evidence else "Closed without evidence"


def proposed_due(scope: Scope) -> date:
    """Last day of the quarter after the period, or of the first later one that leaves four weeks to act.

    Examples
    --------
    >>> proposed_due(Scope.quarter("2026Q3", date(2026, 10, 14)))
    datetime.date(2026, 12, 31)
    """
    year, number = quarter_of(scope.end)
    while True:
        number += 1
        last = quarter_start(year, number + 1) - timedelta(days=1)
        if (last - scope.as_of).days >= FEWEST_DAYS_TO_ACT:
            return last


def _register(entries: Sequence[Action], scope: Scope, protocol: Protocol) -> Grid:
    titles = {criterion.id: criterion.title for criterion in protocol.criteria}
    ordered = sorted(entries, key=lambda e: (_STATES.index(state_of(e, scope.as_of)), e.due, e.row))
    rows, groups = [], []
    for entry in ordered:
        state = state_of(entry, scope.as_of)
        late = f", {plural((scope.as_of - entry.due).days, 'day')} late" if state == "Overdue" else ""
        rows.append(
            (
                entry.action,
                titles.get(entry.criterion, entry.criterion) or "none",
                entry.owner,
                day_text(entry.due) + late,
                entry.evidence or "none",
            )
        )
        groups.append(state)
    overdue = groups.count("Overdue")
    return Grid(
        title=f"Register of actions: {number_word(overdue)} of {number_word(len(entries))} overdue",
        headers=("Action", "criterion", "owner", "due", "evidence"),
        rows=tuple(rows),
        groups=tuple(groups),
    )


def _proposals(missed: Sequence[Judged], entries: Sequence[Action], due: date, scope: Scope) -> Grid:
    rows = []
    for number, j in enumerate(missed, start=1):
        name = j.now.criterion.id
        standing = [entry for entry in entries if entry.open and entry.criterion == name]
        late = any(state_of(entry, scope.as_of) == "Overdue" for entry in standing)
        rows.append(
            (
                count(number),
                _draft(j),
                j.now.criterion.owner,
                day_text(due),
                "overdue" if late else "open" if standing else "none",
            )
        )
    return Grid(
        title=f"Proposals from the {plural_word(len(missed), 'criterion', 'criteria')} not met",
        headers=("No.", "proposal", "owner", "due", "earlier action"),
        rows=tuple(rows),
        note="Drafts for the committee to adopt, change or drop; review.csv, where it was asked for, names the records. "
        "Earlier action: one on the same criterion that the register "
        "holds as open.",
    )


def _draft(j: Judged) -> str:
    now = j.now
    again = ", and not in the quarter before either" if j.before.verdict == "not met" else ""
    what = "Look at each failure" if now.criterion.rule == "census" else "Review the cases behind the share"
    return (
        f"{what} and agree what changes: {decapital(now.criterion.title)} ({now.quarter}: {shortfall(now)}; target "
        f"{target_text(now)}{again})."
    )


def _sentences(register: ActionRegister | None, missed: Sequence[Judged], due: date, scope: Scope) -> tuple[str, ...]:
    says = []
    if register is None:
        says.append("No register of earlier actions was given, so that nothing can be said of them.")
    elif not register.actions:
        says.append("The register holds no action that could be read.")
    else:
        states = [state_of(entry, scope.as_of) for entry in register.actions]
        parts = [f"{number_word(states.count(s))} {decapital(s)}" for s in _STATES if states.count(s)]
        says.append(f"Of {plural_word(len(states), 'action', 'actions')} in the register, {listing(parts)}.")
    if missed:
        says.append(
            f"{capital(plural_word(len(missed), 'criterion', 'criteria'))} not met: a proposal stands for each, due by "
            f"{day_text(due)} unless the committee sets another date."
        )
    else:
        says.append("No criterion was found not met, so that nothing is proposed.")
    return tuple(says)


def _brief(register: ActionRegister | None, overdue: Sequence[Action], missed: Sequence[Judged]) -> str:
    proposed = f"{plural_word(len(missed), 'new action is', 'new actions are')} proposed" if missed else ""
    if register is None or not register.actions:
        return f"{capital(proposed)} for criteria not met." if proposed else ""
    line = f"{capital(plural_word(len(overdue), 'earlier action is', 'earlier actions are'))} overdue"
    return f"{line} and {proposed}." if proposed else f"{line}."


def _headlines(overdue: Sequence[Action], scope: Scope) -> tuple[tuple[str, str], ...]:
    if not overdue:
        return ()
    roles = listing(sorted({entry.owner for entry in overdue}))
    oldest = min(entry.due for entry in overdue)
    word = plural_word(len(overdue), "action is", "actions are")
    return (("described", f"{capital(word)} overdue, due since {day_text(oldest)} at the longest ({roles})."),)


def _denominators(register: ActionRegister | None) -> str:
    if register is None:
        return ""
    return (
        f"Register: {plural(register.rows_read, 'row')} read, {count(len(register.actions))} accepted, "
        f"{count(register.rows_refused)} set aside."
    )


def _exclusions(register: ActionRegister | None) -> tuple[str, ...]:
    if register is None:
        return ()
    lines = [
        f"Row {count(problem.row or 0)} of the register: {problem.column} {problem.rule}. {problem.remedy}"
        for problem in register.problems[:_MOST_PROBLEMS]
    ]
    if more := len(register.problems) - len(lines):
        lines.append(f"{capital(plural_word(more, 'further problem', 'further problems'))} of the register.")
    if register.texts_held_back:
        lines.append(
            f"{capital(plural_word(register.texts_held_back, 'text', 'texts'))} of the register not shown, since each may "
            "identify a person. A bare name cannot be recognised: keep names out of the register."
        )
    return tuple(lines)


def _requests(overdue: Sequence[Action], missed: Sequence[Judged]) -> tuple[str, ...]:
    lines = []
    if overdue:
        lines.append(f"Settle {plural_word(len(overdue), 'overdue action', 'overdue actions')}: finish, move or drop.")
    if missed:
        last = f" to {count(len(missed))}" if len(missed) > 1 else ""
        lines.append(f"Adopt, change or drop proposal{'s' if last else ''} 1{last}.")
    return tuple(lines)
