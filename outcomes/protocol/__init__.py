"""The audit protocol: what is fixed before the data are looked at.

Every entry has a default and can be changed in ``audit.toml``; an unknown entry is an error with the nearest right
one named.
"""

from outcomes.protocol.commented import commented_default
from outcomes.protocol.criteria import CRITERIA, Condition, Criterion
from outcomes.protocol.read import load_protocol
from outcomes.protocol.types import SETTINGS, Anaesthesia, Disclosure, Protocol, Setting, Watch

__all__ = [
    "CRITERIA",
    "SETTINGS",
    "Anaesthesia",
    "Condition",
    "Criterion",
    "Disclosure",
    "Protocol",
    "Setting",
    "Watch",
    "commented_default",
    "load_protocol",
]
