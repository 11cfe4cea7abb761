"""A relay in a cycling rig is a consumable: how worn it is, in a sentence, in good time."""

from __future__ import annotations

from benchrig.patterns.fit import RELAY_INDUCTIVE_LIFE
from benchrig.wire.messages import OutputInfo, OutputKind

WARN_AT = (0.8, 0.5)  # shares of the life with coils as load; common practice, no source


def wear_warning(output: OutputInfo, operations_done: int) -> str:
    """A warning from half the relay's life on; "" before, and for outputs that do not wear."""
    if output.kind is not OutputKind.RELAY or output.rated_operations == 0:
        return ""
    life = RELAY_INDUCTIVE_LIFE * output.rated_operations
    for share in WARN_AT:
        if operations_done >= share * life:
            advice = "have a new one at hand" if share < WARN_AT[0] else "replace it soon"
            return (
                f"the relay of output {output.output} has done {operations_done} of about "
                f"{life:.0f} operations ({100 * operations_done / life:.0f} % of its life with "
                f"coils as load): {advice}"
            )
    return ""
