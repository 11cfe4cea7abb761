"""What may be typed of a flow, and the one static or dynamic flow that follows from it."""

from __future__ import annotations

from dataclasses import dataclass, replace

from benchrig.cli.output import talk
from benchrig.errors import UsageError

GAUGE_U_PERCENT = 1.0  # of a pressure read off a gauge; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class Flow:
    """A flow as it is kept; exactly one of the two is there."""

    static_cc_per_min: float | None = None
    dynamic_ul: float | None = None
    u_percent: float | None = None
    pressure_pa: float | None = None
    words: str = ""  # where it came from, for the note

    @property
    def value(self) -> float:
        """Whichever it is."""
        found = self.dynamic_ul if self.static_cc_per_min is None else self.static_cc_per_min
        assert found is not None
        return found

    @property
    def std_uncertainty(self) -> float | None:
        """In the unit of the value; None when nobody gave one."""
        if self.u_percent is None or self.value == 0:
            return None
        return self.value * self.u_percent / 100

    @property
    def plain(self) -> str:
        """For people."""
        unit = "cc/min" if self.dynamic_ul is None else "µL"
        unsure = "" if self.u_percent else ", no uncertainty given: not judged"
        return f"{self.value:.4g} {unit}{unsure}"


def by_mass(lb_per_hr: float, density_g_per_ml: float | None) -> Flow:
    """A static flow by mass, which needs the fluid's density."""
    from benchrig.measure.flow import cc_per_min

    if density_g_per_ml is None:
        raise UsageError(
            "a mass flow becomes a volume flow only at a density",
            advice="add --density-g-per-ml, of the test fluid at its temperature",
        )
    value = cc_per_min(lb_per_hr, density_g_per_ml).value if lb_per_hr else 0.0
    talk(f"at {density_g_per_ml:g} g/mL: {value:.1f} cc/min")
    words = f"{lb_per_hr:g} lb/hr at {density_g_per_ml:g} g/mL"
    return Flow(static_cc_per_min=value, words=words)


def caught(
    volume_ml: float, u_volume_ml: float | None, duration_s: float | None, pulses: int | None
) -> Flow:
    """From a volume in a glass: over a time with the valve open, or in a number of pulses."""
    from benchrig.bench.known import DURATION_U_S
    from benchrig.measure.flow import dynamic_flow, static_flow
    from benchrig.quantity import Measured

    if u_volume_ml is None:
        raise UsageError(
            "--volume-ml needs --u-volume-ml",
            advice="half a graduation is a fair standard uncertainty of a reading",
        )
    volume = Measured(value=volume_ml, std_uncertainty=u_volume_ml, unit="mL")
    if duration_s is not None and pulses is None:
        duration = Measured(value=duration_s, std_uncertainty=DURATION_U_S, unit="s")
        flow = static_flow(volume, duration)
        found = Flow(static_cc_per_min=flow.value, words=f"{volume_ml:g} mL in {duration_s:g} s")
    elif pulses is not None and duration_s is None:
        flow = dynamic_flow(volume, pulses)
        found = Flow(dynamic_ul=flow.value, words=f"{volume_ml:g} mL in {pulses} pulses")
    else:
        raise UsageError("--volume-ml needs one of --duration-s and --pulses")
    return replace(found, u_percent=100 * flow.std_uncertainty / flow.value)


def stated_at(flow: Flow, to_kpa: float) -> Flow:
    """A static flow as it would be at another pressure."""
    from benchrig.measure.flow import at_pressure
    from benchrig.quantity import Measured

    if flow.static_cc_per_min is None or flow.pressure_pa is None or flow.std_uncertainty is None:
        raise UsageError(
            "--to-kpa needs a static flow, the pressure it was measured at, and its uncertainty"
        )
    from_kpa = flow.pressure_pa / 1000.0
    pressure = Measured(
        value=from_kpa, std_uncertainty=from_kpa * GAUGE_U_PERCENT / 100, unit="kPa"
    )
    measured = Measured(value=flow.value, std_uncertainty=flow.std_uncertainty, unit="cc/min")
    found = at_pressure(measured, pressure, to_kpa)
    before = f"{flow.value:.4g} cc/min at {from_kpa:g} kPa"
    return replace(
        flow,
        static_cc_per_min=found.value,
        u_percent=100 * found.std_uncertainty / found.value,
        pressure_pa=to_kpa * 1000.0,
        words=f"{flow.words}; {before}" if flow.words else before,
    )
