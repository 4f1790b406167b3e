"""What is held back so that no person can be worked out from what leaves the clinic?

Three rules, each set by ``protocol.disclosure``. A count from 1 to one below ``smallest_count`` in a breakdown is not
printed, nor is anything computed from it. Where printed counts that add up to a printed total would give such a count
away, others are held back with it, until each small count could still be anything from 1 to the largest held back,
even for a reader who knows which counts are small. Peers stand only pooled, at least ``fewest_peers`` of them and
none with more than ``largest_peer_share`` of the zones.

Which further count is held back follows from the order of the cells and from what is printed, never from the size of
the count itself, since a choice of the smallest would say how small it can be.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

from outcomes.estimates.binomial import exact_limits
from outcomes.estimates.estimate import Answer, Estimate, NotEstimable
from outcomes.estimates.hidden import possible_range
from outcomes.protocol import Protocol
from outcomes.wording import count, number_word, percent, plural

HELD_CELL = "held back"
GIVES_AWAY = "held back, as it would give a small count away"
EITHER = "held back: a small count, or one that would give it away"
_SLACK = 1e-6


@dataclass(frozen=True, slots=True)
class Sum:
    """Cells that add up to a number the reader knows.

    Attributes
    ----------
    parts : tuple of int
        Positions of the cells that are added.
    whole : int or None
        Position of the cell that holds their sum; None where the sum is printed elsewhere.
    """

    parts: tuple[int, ...]
    whole: int | None = None

    def signs(self) -> dict[int, int]:
        """Sign of each cell in "parts minus whole"."""
        return {**dict.fromkeys(self.parts, 1), **({} if self.whole is None else {self.whole: -1})}


def shows_small_counts(protocol: Protocol) -> bool:
    """Whether small counts are printed: only for readers inside the clinic."""
    return protocol.audience == "clinic"


def is_small(number: int | None, protocol: Protocol) -> bool:
    """Whether a count is one that is held back: from 1 to one below the smallest that is printed."""
    return number is not None and 1 <= number < protocol.disclosure.smallest_count


def small_reason(what: str, protocol: Protocol) -> str:
    """Why a count is not given: "fewer than 5 events: held back".

    Examples
    --------
    >>> small_reason("events", Protocol())
    'fewer than 5 events: held back'
    """
    return f"fewer than {count(protocol.disclosure.smallest_count)} {what}: held back"


def reason_to_hold(answer: Answer, protocol: Protocol, noun: str = "zones") -> str:
    """Why an answer must be held back by its own counts; empty where it may be printed.

    It must where the records, their patients, the records with the event or those without number 1 to one below
    the smallest count that is printed.
    """
    if shows_small_counts(protocol):
        return ""
    if is_small(answer.n, protocol):
        return small_reason(noun, protocol)
    if is_small(answer.patients, protocol):
        return small_reason("patients", protocol)
    if is_small(answer.events, protocol):
        return small_reason("events", protocol)
    if answer.events is not None and answer.n is not None and is_small(answer.n - answer.events, protocol):
        return small_reason(f"{noun} without the event", protocol)
    return ""


def held(answer: Answer, reason: str, *, n: int | None = None, bound: str = "") -> NotEstimable:
    """The same answer without its number and counts; `n` is kept only where it may be printed."""
    return NotEstimable(
        answer.term, reason + (f"; {bound}" if bound else ""), n=n, method=answer.method, unit=answer.unit
    )


def withheld(answers: Sequence[Answer], protocol: Protocol, noun: str = "zones") -> tuple[Answer, ...]:
    """The same answers, each that rests on a small count without its number.

    An answer with 1 to 4 events keeps the upper limit that the largest held-back count would have on its patients,
    each counted once; it is the same for any of the counts held back and so tells none of them.

    Parameters
    ----------
    answers : sequence of Estimate or NotEstimable
    protocol : Protocol
    noun : str
        What is counted: ``zones``, ``patients``.

    Examples
    --------
    >>> from outcomes.estimates.proportion import clustered_proportion
    >>> share = clustered_proportion([1, 1] + [0] * 98, range(100), term="scarring")
    >>> withheld([share], Protocol())[0].reason
    'fewer than 5 events: held back; up to 9.9 % compatible'
    """
    kept: list[Answer] = []
    for answer in answers:
        reason = reason_to_hold(answer, protocol, noun)
        if not reason:
            kept.append(answer)
            continue
        n = None if is_small(answer.n, protocol) else answer.n
        shared = isinstance(answer, Estimate) and answer.unit == "proportion" and reason.endswith("events: held back")
        bound = upper_bound(answer.patients, protocol, answer.level) if isinstance(answer, Estimate) and shared else ""
        kept.append(held(answer, reason, n=n, bound=bound))
    return tuple(kept)


def bound_of_few(patients: int | None, level: float, protocol: Protocol) -> float | None:
    """Upper limit of the largest count held back, each patient counted once; None where it cannot be said."""
    most = protocol.disclosure.smallest_count - 1
    return None if patients is None or patients <= most else exact_limits(most, patients, level)[1]


def upper_bound(patients: int | None, protocol: Protocol, level: float | None = None) -> str:
    """Which risk the largest count held back would be compatible with, in words; empty where it cannot be said."""
    bound = bound_of_few(patients, protocol.level if level is None else level, protocol)
    return "" if bound is None else f"up to {percent(bound)} compatible"


def held_back(
    counts: Sequence[int],
    sums: Sequence[Sum],
    protocol: Protocol,
    *,
    unprinted: Collection[int] = (),
    also: Collection[int] = (),
    harmless: Collection[int] = (),
    order: Sequence[int] | None = None,
) -> frozenset[int]:
    """Which of these counts to hold back, so that no small one can be worked out from the others.

    Parameters
    ----------
    counts : sequence of int
        The cells, printed or not.
    sums : sequence of Sum
        What the reader can add up and compare.
    protocol : Protocol
    unprinted : collection of int
        Cells that nobody prints but that follow from the others, such as the rest of a whole less a printed part.
    also : collection of int
        Cells that are held back for another reason.
    harmless : collection of int
        Cells whose count may be small, since it says nothing of anybody, such as how many were not recorded.
    order : sequence of int or None
        Which cells to hold back first where a further one is needed; the last cell first when None.

    Returns
    -------
    frozenset of int
        Positions held back; `unprinted` are not among them.

    Examples
    --------
    >>> sorted(held_back((3, 0, 40, 25), [Sum((0, 1, 2, 3))], Protocol()))
    [0, 3]
    """
    if shows_small_counts(protocol):
        return frozenset()
    small = [i for i, number in enumerate(counts) if is_small(number, protocol) and i not in harmless]
    unknown = frozenset(unprinted)
    if not small:
        return frozenset(also) - unknown
    back = ({*small} | set(also)) - unknown
    queue = list(order) if order is not None else list(range(len(counts) - 1, -1, -1))
    for one in sums:
        while not _all_free(small, [one], counts, back, unknown, protocol):
            if not (further := _further([one], small, counts, back | unknown, queue)):
                break
            back |= further
    while not _all_free(small, sums, counts, back, unknown, protocol):
        if not (further := _further(sums, small, counts, back | unknown, queue)):
            break
        back |= further
    return frozenset(back)


def is_guarded(
    counts: Sequence[int],
    sums: Sequence[Sum],
    back: Collection[int],
    protocol: Protocol,
    *,
    unprinted: Collection[int] = (),
    harmless: Collection[int] = (),
) -> bool:
    """Whether it may be said which of the cells held back are small.

    Where a printed total is itself so small that it narrows its parts, all cells are held back with one reason, so
    that nobody can tell where the few are.
    """
    if not all(counts[i] for i in back):
        return False
    small = [i for i, number in enumerate(counts) if is_small(number, protocol) and i not in harmless]
    return _all_free(small, sums, counts, back, unprinted, protocol)


def _bounds(number: int, protocol: Protocol) -> tuple[int, int | None]:
    """Between which numbers a reader who knows why a cell is hidden knows it to lie."""
    smallest = protocol.disclosure.smallest_count
    if 1 <= number < smallest:
        return 1, smallest - 1
    return (smallest if number else 0), None


def _all_free(
    small: Sequence[int],
    sums: Sequence[Sum],
    counts: Sequence[int],
    back: Collection[int],
    unprinted: Collection[int],
    protocol: Protocol,
) -> bool:
    """Whether each hidden small count could be any of as many numbers as are held back, for all that the sums tell.

    Of a cell held back a reader knows that it is small, so that this is anything from 1 to the largest held back; of one
    that is printed nowhere he knows nothing.
    """
    hidden = {*back, *unprinted}
    cells = sorted(hidden)
    rows = [one.signs() for one in sums]
    signs = [[row.get(i, 0) for i in cells] for row in rows]
    totals = [sum(row.get(i, 0) * counts[i] for i in cells) for row in rows]
    bounds = [(0, None) if i in unprinted else _bounds(counts[i], protocol) for i in cells]
    low, high = [a for a, _ in bounds], [b for _, b in bounds]
    width = protocol.disclosure.smallest_count - 2
    for i in small:
        if i in hidden and any(i in row for row in rows):
            least, largest = possible_range(signs, totals, low, high, cells.index(i))
            if largest - least < width - _SLACK:
                return False
    return True


def _further(
    sums: Sequence[Sum], small: Sequence[int], counts: Sequence[int], hidden: Collection[int], queue: Sequence[int]
) -> set[int]:
    """What to hold back next: the first cell in order that shares a sum with a hidden small one; zeros all at once."""
    concerned = [one.signs() for one in sums if any(i in one.signs() and i in hidden for i in small)]
    left = [i for i in queue if i not in hidden and any(i in signs for signs in concerned)]
    filled = [i for i in left if counts[i]]
    return set(filled[:1] or left)


def peers_reason(zones_by_peer: Sequence[int], protocol: Protocol) -> str:
    """Why the pooled peers cannot be shown, as a sentence; empty where they can.

    Parameters
    ----------
    zones_by_peer : sequence of int
        Zones of each practitioner other than the reader; those without a zone count for nothing.

    Examples
    --------
    >>> peers_reason((40, 30), Protocol())
    'Peers are not shown: they are pooled only when at least three others treated such zones.'
    >>> peers_reason((90, 5, 5), Protocol())
    'Peers are not shown: one of them alone treated more than 60 % of the zones that would be pooled.'
    """
    rule = protocol.disclosure
    sizes = [size for size in zones_by_peer if size > 0]
    if len(sizes) < rule.fewest_peers:
        return (
            f"Peers are not shown: they are pooled only when at least {number_word(rule.fewest_peers)} others "
            "treated such zones."
        )
    if max(sizes) > rule.largest_peer_share * sum(sizes):
        return (
            "Peers are not shown: one of them alone treated more than "
            f"{percent(rule.largest_peer_share).replace('.0', '')} of the zones that would be pooled."
        )
    return ""


def held_sentence(number: int, noun: str, protocol: Protocol) -> str:
    """How many rows of a section are held back, as a sentence; empty for none.

    Examples
    --------
    >>> held_sentence(2, "row", Protocol())
    'In 2 rows numbers are held back: counts from 1 to 4, and those that would give one away.'
    """
    if not number:
        return ""
    most = count(protocol.disclosure.smallest_count - 1)
    return (
        f"In {plural(number, noun)} numbers are held back: counts from 1 to {most}, and those that would give one away."
    )
