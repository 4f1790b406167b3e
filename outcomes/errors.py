"""What can go wrong, said in two sentences: what is wrong, and what to do.

Every error a user can cause descends from `OutcomesError`; the command line prints it without a traceback.
No message holds a value from the records.
"""

from __future__ import annotations


class OutcomesError(Exception):
    """The root of every error a user can cause.

    Parameters
    ----------
    wrong : str
        What was found, and where; one sentence.
    remedy : str
        What to do about it; one sentence.
    """

    def __init__(self, wrong: str, remedy: str) -> None:
        super().__init__(f"{wrong} {remedy}")
        self.wrong = wrong
        self.remedy = remedy


class ExportRejected(OutcomesError):
    """An export cannot be read as a whole, or `--strict` was given and some rows broke a rule."""


class KeyRefused(OutcomesError):
    """A key for pseudonyms cannot be used, or lies where it would be handed on with the output."""


class MappingError(OutcomesError):
    """A mapping file is not valid, or does not fit the export."""


class ProtocolError(OutcomesError):
    """An audit.toml is not valid, or a question was asked that the protocol does not allow."""


class ReportError(OutcomesError):
    """A report could not be composed, typeset or written."""
