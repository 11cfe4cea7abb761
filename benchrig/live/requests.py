"""The one thing a rig's program may be told over a network: make safe.

A request is either exactly right or nothing at all. What is right can only stop the run that is
on; there is no message that switches anything on, and none that changes a setting.
"""

from __future__ import annotations

import json
from typing import Any

REQUEST_BYTES_MAX = 1024
ANY_RUN = "any"
SCHEMA = "benchrig.make-safe/1"


def make_safe_reason(
    topic: str, payload: object, *, retained: bool, listening_to: str, run: str
) -> str | None:
    """The reason to stop ``run``, or None when this message means nothing.

    A retained message is none: it would stop every later run. A request names its run, or
    ``any``, so one that comes late does not stop the wrong one.
    """
    if retained or topic != listening_to or not run:
        return None
    if not isinstance(payload, bytes) or len(payload) > REQUEST_BYTES_MAX:
        return None
    try:
        request: Any = json.loads(payload)
    except (ValueError, RecursionError):
        return None
    if not isinstance(request, dict) or not set(request) <= {"schema", "run", "who"}:
        return None
    who = request.get("who", "")
    if request.get("schema") != SCHEMA or not isinstance(who, str) or len(who) > 64:
        return None
    if request.get("run") not in (run, ANY_RUN):
        return None
    shown = "".join(c for c in who if c.isprintable())
    return "make safe was asked for over the network" + (f" by {shown}" if shown else "")


def make_safe_request(run: str = ANY_RUN, who: str = "") -> bytes:
    """A request as it is sent."""
    return json.dumps({"schema": SCHEMA, "run": run, "who": who[:64]}).encode()
