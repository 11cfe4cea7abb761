"""Which rigs are no hardware: told by the unique id, which a rig says itself over any link.

Ids whose upper half is ``SIMULATED_HIGH`` belong to simulated and emulated rigs; no board may
carry one. Whatever keeps a rig's id can therefore tell, and nobody has to remember to say it.
"""

from __future__ import annotations

import re

SIMULATED_HIGH = 0x0000_0051  # the upper 32 of the 64 bits
MARK = "SIMULATED"
SENTENCE = "SIMULATED RIG: no real part was measured; these numbers were computed"
_ID = re.compile(r"[0-9a-f]{16}")


def simulated_id(low: int) -> int:
    """An id for a simulated rig; only the lower 32 bits of ``low`` count."""
    return SIMULATED_HIGH << 32 | low & 0xFFFF_FFFF


def is_simulated(unique_id: int | str) -> bool:
    """Whether an id, as a number or as 16 hex digits, is that of a simulated rig."""
    if isinstance(unique_id, str):
        if not _ID.fullmatch(unique_id):
            return False
        unique_id = int(unique_id, 16)
    return unique_id >> 32 == SIMULATED_HIGH
