"""Patients and sessions leave the reader under other names: keyed pseudonyms, or numbers in order of appearance.

With a key the same patient has the same pseudonym in every export, and nobody without the key can tell whose it is
or try ids until one fits. Without a key a pseudonym means nothing outside the one run. The id of a record stays, so
that the clinic can find it; so does the practitioner's code.
"""

from __future__ import annotations

import hashlib
import hmac
import os
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import pandas as pd

from outcomes.errors import ExportRejected, KeyRefused
from outcomes.records.assemble import Frames

KEY_VARIABLE = "OUTCOMES_KEY"
SHORTEST_KEY = 32
"""Characters of a key at least: as many as the digest has bytes (RFC 2104, section 3)."""
FEWEST_CHARACTERS = 8
"""Different characters of a key at least; a key drawn at random has more."""
LONGEST_KEY = 1024
HEX_DIGITS = 16

KEYED = "patients and sessions: ids replaced by pseudonyms made with the clinic's key, the same in every export"
NUMBERED = "patients and sessions: ids replaced by numbers in order of appearance, which mean nothing in another export"

_DRAW_ONE = "Draw a new key at random, such as 64 hexadecimal digits, and keep it away from the reports."


def read_key(
    path: Path | None, *, out: Path | None = None, environment: Mapping[str, str] = os.environ
) -> bytes | None:
    """Which key are pseudonyms made with? None when none was given.

    Parameters
    ----------
    path : Path or None
        File that holds the key on its only line; it comes before the environment.
    out : Path or None
        Folder that the output goes to; the key may not lie in it.
    environment : mapping of str to str
        Looked up for ``OUTCOMES_KEY`` where no file is given.

    Returns
    -------
    bytes or None
        The same from a file and from the environment.

    Raises
    ------
    KeyRefused
        If the key is too short, too plain, not one line of printable characters, or stored with the output.

    Examples
    --------
    >>> read_key(None, environment={"OUTCOMES_KEY": "0123456789abcdef0123456789abcdef"})[:4]
    b'0123'
    >>> read_key(None, environment={}) is None
    True
    """
    if path is None:
        text = environment.get(KEY_VARIABLE)
        return None if text is None else _checked(text.encode("utf-8", "surrogateescape"), f"in {KEY_VARIABLE}")
    if out is not None and path.resolve().is_relative_to(out.resolve()):
        raise KeyRefused(
            "The key file lies in the folder that the output goes to, so that it would be handed on with it.",
            "Move the key to a place that only the clinic's own staff can read.",
        )
    try:
        with path.open("rb") as file:
            data = file.read(LONGEST_KEY + 1)
    except OSError:
        raise KeyRefused("The key file cannot be read.", "Check its name and who may read it.") from None
    return _checked(data, "in the key file")


def _checked(data: bytes, where: str) -> bytes:
    key = data.removeprefix(b"\xef\xbb\xbf").strip()
    if len(data) > LONGEST_KEY:
        raise KeyRefused(f"The key {where} is longer than {LONGEST_KEY:,} characters.", "Check that it is the key.")
    if not all(32 < byte < 127 for byte in key):
        raise KeyRefused(
            f"The key {where} is not one line of plain letters, digits and signs without spaces.", _DRAW_ONE
        )
    if len(key) < SHORTEST_KEY:
        raise KeyRefused(f"The key {where} is shorter than {SHORTEST_KEY} characters.", _DRAW_ONE)
    if len(set(key)) < FEWEST_CHARACTERS:
        raise KeyRefused(f"The key {where} has fewer than {FEWEST_CHARACTERS} different characters.", _DRAW_ONE)
    return key


def pseudonyms(ids: Sequence[str], kind: str, key: bytes | None) -> dict[str, str]:
    """A pseudonym for each id: id → pseudonym.

    Parameters
    ----------
    ids : sequence of str
        Distinct ids, in order of appearance.
    kind : str
        ``patient`` or ``session``: equal ids of different kinds get pseudonyms that cannot be matched.
    key : bytes or None
        None gives numbers.

    Raises
    ------
    ExportRejected
        If two ids would get the same pseudonym.

    Notes
    -----
    The first 64 bits of HMAC-SHA256 of the kind and the id (RFC 2104; FIPS 198-1). Among a million ids two share
    them with a chance of 3 in 100 million; then the export is refused, never two patients made one.

    Examples
    --------
    >>> pseudonyms(["00017", "00004"], "patient", None)
    {'00017': 'P000001', '00004': 'P000002'}
    """
    letter = kind[0].upper()
    if key is None:
        return {text: f"{letter}{number:06d}" for number, text in enumerate(ids, start=1)}
    domain = f"outcomes {kind}\0".encode()
    found = {
        text: letter + hmac.new(key, domain + text.encode("utf-8"), hashlib.sha256).hexdigest()[:HEX_DIGITS]
        for text in ids
    }
    if len(set(found.values())) < len(found):
        raise ExportRejected(f"Two {kind}s would get the same pseudonym under this key.", "Choose another key.")
    return found


def pseudonymise(frames: Frames, key: bytes | None) -> Frames:
    """Frames in which no id of a patient or a session of the export is left, and a note that says so."""
    patients = pseudonyms(_distinct(frames.zones["patient_id"]), "patient", key)
    in_order = pd.concat([frames.zones["session_id"], frames.sessions["session_id"]], ignore_index=True)
    sessions = pseudonyms(_distinct(in_order), "session", key)
    zones = frames.zones.assign(
        patient_id=_replaced(frames.zones["patient_id"], patients),
        session_id=_replaced(frames.zones["session_id"], sessions),
    )
    own = frames.sessions.assign(session_id=_replaced(frames.sessions["session_id"], sessions))
    note = KEYED if key is not None else NUMBERED
    return replace(frames, zones=zones, sessions=own, notes=(*frames.notes, note))


def _distinct(ids: pd.Series) -> list[str]:
    return [str(text) for text in ids.dropna().unique()]


def _replaced(ids: pd.Series, names: dict[str, str]) -> pd.Series:
    return ids.map(names).astype("string")
