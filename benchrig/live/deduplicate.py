"""For receivers: each message once, and a word when numbers are missing.

Verdicts come at least once and in the order of their outbox. After a broken line some come
again; an id that was seen before is a double. ``number`` rises by one within an outbox, so a
gap tells that a broker has lost something: ``benchrig outbox send --again`` brings it back.
"""

from __future__ import annotations

from collections import OrderedDict
from typing import Any

REMEMBERED_MAX = 10_000
OUTBOXES_MAX = 1_000


class Deduplicator:
    """Remembers ids, a bounded number of them."""

    def __init__(self, remembered_max: int = REMEMBERED_MAX) -> None:
        self._seen: OrderedDict[str, None] = OrderedDict()
        self._last: OrderedDict[str, int] = OrderedDict()
        self._max = remembered_max
        self.doubles = 0
        self.missing: OrderedDict[tuple[str, int], None] = OrderedDict()

    def is_new(self, payload: dict[str, Any]) -> bool:
        """True the first time; False for a double and for what has no id."""
        message_id = payload.get("id")
        if not isinstance(message_id, str):
            return False
        if message_id in self._seen:
            self._seen.move_to_end(message_id)
            self.doubles += 1
            return False
        self._seen[message_id] = None
        while len(self._seen) > self._max:
            self._seen.popitem(last=False)
        self._count(payload.get("outbox"), payload.get("number"))
        return True

    def _count(self, outbox: object, number: object) -> None:
        if not isinstance(outbox, str) or not isinstance(number, int):
            return
        last = self._last.get(outbox)
        self.missing.pop((outbox, number), None)
        if last is not None:
            for absent in range(max(last + 1, number - self._max), number):
                self.missing[outbox, absent] = None
            while len(self.missing) > self._max:
                self.missing.popitem(last=False)
        self._last[outbox] = max(number, last or 0)
        self._last.move_to_end(outbox)
        while len(self._last) > OUTBOXES_MAX:
            self._last.popitem(last=False)
