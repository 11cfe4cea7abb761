"""What the checks found, in the words of the live card."""

from __future__ import annotations

from benchrig.record.values import ColdCheck
from benchrig.rig.events import FaultEvent


def fault_text(found: FaultEvent) -> str:
    """Why the rig dropped everything."""
    return "the rig switched everything off: " + found.fault.name.lower().replace("_", " ")


def insulation_text(cold: ColdCheck) -> str:
    if cold.insulation_ohm is not None:
        return f"{cold.insulation_ohm.value * 1e-6:.3g} Mohm"
    if cold.insulation_at_least_ohm is not None:
        return f"at least {cold.insulation_at_least_ohm * 1e-6:.3g} Mohm"
    return "not measured: the rig has no such input"


def cold_text(cold: ColdCheck) -> str:
    if cold.resistance_ohm is None:
        return cold.findings[0] if cold.findings else "not measured"
    text = f"{cold.resistance_ohm.value:.3f} ohm"
    if cold.resistance_20c_ohm is not None:
        text += f", {cold.resistance_20c_ohm.value:.3f} ohm at 20 °C"
    return text
