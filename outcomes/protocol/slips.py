"""What is said to an unknown word: the nearest right one."""

from __future__ import annotations

import difflib
from collections.abc import Sequence

from outcomes.errors import ProtocolError


def unknown(key: str, known: Sequence[str], what: str = "an entry of the configuration") -> ProtocolError:
    """The error for a word that is none of the known ones, naming the nearest of them.

    Examples
    --------
    >>> unknown("titel", ("title", "level")).remedy
    'Did you mean title?'
    >>> unknown("metal", ("external", "metal_corneal")).remedy
    'Did you mean metal_corneal?'
    """
    begun = [word for word in known if len(key) > 2 and word.startswith(key)]
    near = begun or difflib.get_close_matches(key, known, n=1)
    remedy = f"Did you mean {near[0]}?" if near else f"Known are {', '.join(known)}."
    return ProtocolError(f"{key} is not {what}.", remedy)
