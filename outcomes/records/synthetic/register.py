"""The invented clinic's register of actions from its earlier audits."""

from __future__ import annotations

_HEADERS = ("action", "criterion", "owner role", "due", "status", "evidence")
_ROWS: tuple[tuple[str, str, str, str, str, str], ...] = (
    (
        "Send the consent form with the appointment letter", "consent_before_treatment", "clinical lead",
        "2025-12-31", "closed", "letter changed in December",
    ),
    (
        "Add a field for the third pass to the treatment sheet", "settings_complete", "laser lead",
        "2026-03-31", "closed", "sheet in use at both sites",
    ),
    (
        "Weigh every patient before a block", "injected_dose", "nurse lead",
        "2026-06-30", "open", "",
    ),
    (
        "Keep a second set of metal shields at the smaller site", "eye_shields", "laser lead",
        "2026-09-30", "open", "",
    ),
    (
        "Telephone all who have not booked a review by day 80", "late_review", "nurse lead",
        "2026-12-31", "open", "",
    ),
    (
        "Teach the use of the photograph stand", "baseline_photographs", "nurse lead",
        "2026-06-30", "closed", "",
    ),
    (
        "Agree one wording for the grades of severity", "", "clinical lead",
        "2026-11-30", "open", "",
    ),
)  # fmt: skip


def register_text() -> str:
    """Return the register as CSV text, one action a line.

    Examples
    --------
    >>> register_text().splitlines()[0]
    'action,criterion,owner role,due,status,evidence'
    """
    return "".join(",".join(row) + "\n" for row in (_HEADERS, *_ROWS))
