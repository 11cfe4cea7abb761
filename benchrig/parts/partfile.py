"""Part files: TOML to ``Part`` and back.

::

    title = "..."
    kind = "fuel injector"

    [ability]                       # what the part can bear on the bench, dry
    on_s_max = 10
    ...

    [limits.resistance_ohm]         # one table a limit; each names its source
    low = 13.8
    high = 15.2
    at_temperature_c = 20
    source = "service manual, page 12"

A resistance limit printed for another temperature than 20 °C is converted here, once, by the
copper rule, and its source says so. Values that nobody published stay out of the file.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict, Field

from benchrig.parts.copper import REFERENCE_C, resistance_factor
from benchrig.parts.part import Ability, Characteristic, DecisionRule, Limit, Part, PartKind
from benchrig.tomlfile import KeyPath, TomlDocument, is_number, read_toml, validate

FORBIDDEN_WHY: dict[PartKind, str] = {
    PartKind.PIEZO_INJECTOR: "it is a capacitor driven at 100 to 200 V, and 12 V says nothing",
    PartKind.DIRECT_INJECTOR: "it needs a boosted driver of 50 to 65 V and 10 A or more",
    PartKind.SQUIB: "it fires; keep it away from any meter and any supply",
    PartKind.IGNITION: "it makes tens of kilovolts; this bench has no guard against that",
}
RESISTANCE_AT = "resistance_ohm"  # the file's key for a limit that names its temperature
_NEEDS_VOLTAGE = (
    Characteristic.CURRENT,
    Characteristic.INRUSH_CURRENT,
    Characteristic.OPENING_TIME,
    Characteristic.CLOSING_TIME,
    Characteristic.SPEED,
)


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


class LimitModel(_Strict):
    """One ``[limits.*]`` table."""

    low: float | None = None
    high: float | None = None
    source: str = Field(min_length=1, max_length=300)
    rule: DecisionRule = Field(default=DecisionRule.GUARD_BAND, strict=False)
    at_voltage_v: float | None = Field(default=None, gt=0, le=60)


class ResistanceLimitModel(LimitModel):
    """``[limits.resistance_ohm]``: the temperature it is printed for belongs to it."""

    at_temperature_c: float = Field(ge=-40, le=200)


class LimitsModel(_Strict):
    """``[limits]``: a table for each characteristic but motion, which needs no number."""

    resistance_ohm: ResistanceLimitModel | None = None
    resistance_20c_ohm: LimitModel | None = None
    current_a: LimitModel | None = None
    inductance_h: LimitModel | None = None
    tau_s: LimitModel | None = None
    opening_time_s: LimitModel | None = None
    closing_time_s: LimitModel | None = None
    drop_outs: LimitModel | None = None
    insulation_ohm: LimitModel | None = None
    inrush_current_a: LimitModel | None = None
    speed_rpm: LimitModel | None = None
    static_flow_cc_per_min: LimitModel | None = None
    dynamic_flow_ul: LimitModel | None = None
    leak_drops_per_min: LimitModel | None = None


class AbilityModel(_Strict):
    """``[ability]``."""

    on_s_max: float = Field(gt=0, le=60)
    duty_max: float = Field(gt=0, le=1)
    winding_c_max: float = Field(gt=20, le=200)
    current_a_max: float = Field(gt=0, le=60)
    supply_v_max: float = Field(gt=0, le=36)
    dry_run_s_max: float | None = Field(default=None, gt=0, le=60)


class WindingModel(_Strict):
    """``[winding]``: hints and properties, no limits."""

    nominal_resistance_ohm: float | None = Field(default=None, gt=0, le=100_000)
    copper: bool = True
    polarity_matters: bool = False


class PumpModel(_Strict):
    """``[pump]``."""

    ripples_per_turn: int | None = Field(default=None, ge=2, le=100)


class PartModel(_Strict):
    """A whole part file."""

    title: str = Field(min_length=1, max_length=120)
    kind: PartKind = Field(strict=False)
    invented: bool = False
    note: str = Field(default="", max_length=2000)
    ability: AbilityModel
    winding: WindingModel = WindingModel()
    pump: PumpModel = PumpModel()
    limits: LimitsModel = LimitsModel()


def read_part(path: Path) -> Part:
    """The part of a file; raises InputFileError with every fault."""
    return part_from(read_toml(path), path.stem)


def part_from(document: TomlDocument, name: str) -> Part:
    """The part a parsed document describes."""
    model = validate(document, PartModel, (_check_kind, _check_limits, _check_pump))
    return Part(
        name=name,
        title=model.title,
        kind=model.kind,
        invented=model.invented,
        limits=tuple(_limits(model)),
        ability=Ability(**model.ability.model_dump()),
        nominal_resistance_ohm=model.winding.nominal_resistance_ohm,
        copper_winding=model.winding.copper,
        polarity_matters=model.winding.polarity_matters,
        ripples_per_turn=model.pump.ripples_per_turn,
        note=model.note,
        file=document.file,
        digest=document.digest,
    )


def _limits(model: PartModel) -> Iterator[Limit]:
    for key in type(model.limits).model_fields:
        if (given := getattr(model.limits, key)) is None:
            continue
        at_c = getattr(given, "at_temperature_c", None)
        limit = Limit(
            characteristic=Characteristic.RESISTANCE_20C
            if key == RESISTANCE_AT
            else Characteristic(key),
            low=given.low,
            high=given.high,
            source=given.source,
            rule=given.rule,
            at_voltage_v=given.at_voltage_v,
        )
        yield limit if at_c is None else at_20c(limit, at_c)


def at_20c(limit: Limit, at_c: float) -> Limit:
    """A resistance limit printed for ``at_c``, as one that holds at 20 °C; the source says so."""
    if at_c == REFERENCE_C:
        return limit
    factor = resistance_factor(at_c, REFERENCE_C)
    return replace(
        limit,
        low=None if limit.low is None else limit.low * factor,
        high=None if limit.high is None else limit.high * factor,
        source=f"{limit.source} (printed for {at_c:g} °C: {_sides(limit)} ohm; "
        "converted to 20 °C by the 234.5 rule of copper)",
    )


def _sides(limit: Limit) -> str:
    if limit.low is None:
        return f"at most {limit.high:g}"
    if limit.high is None:
        return f"at least {limit.low:g}"
    return f"{limit.low:g} to {limit.high:g}"


# --- rules between keys; they see raw data of any type ----------------------------------------


def _check_kind(data: Mapping[str, Any]) -> Iterator[tuple[KeyPath, str]]:
    for kind, why in FORBIDDEN_WHY.items():
        if data.get("kind") == kind.value:
            yield ("kind",), f"a part of the kind {kind.value} is never driven on this rig: {why}"


def _check_limits(data: Mapping[str, Any]) -> Iterator[tuple[KeyPath, str]]:
    limits = _table(data, "limits")
    both = (RESISTANCE_AT, Characteristic.RESISTANCE_20C.value)
    if all(key in limits for key in both):
        yield ("limits", both[0]), f"stands beside {both[1]}; give the resistance limit once"
    for key in limits:
        limit = _table(limits, key)
        if isinstance(limits[key], Mapping):
            yield from _check_limit(("limits", key), limit, data)


def _check_limit(
    path: KeyPath, limit: Mapping[str, Any], data: Mapping[str, Any]
) -> Iterator[tuple[KeyPath, str]]:
    key, low, high = path[-1], limit.get("low"), limit.get("high")
    if low is None and high is None:
        yield path, "needs low, high or both"
    for side, value in (("low", low), ("high", high)):
        if is_number(value) and value < 0:
            yield (*path, side), f"must not be negative, not {value:g}"
    if is_number(low) and is_number(high) and low >= high:
        yield (*path, "low"), f"low ({low:g}) must be below high ({high:g})"
    if isinstance(limit.get("source"), str) and not limit["source"].strip():
        yield (*path, "source"), "must name where the limit is printed"
    needs = [c.value for c in _NEEDS_VOLTAGE]
    if key in needs and "at_voltage_v" not in limit:
        yield path, "needs at_voltage_v: the supply in V at which this limit holds"
    at_c = limit.get("at_temperature_c")
    copper = _table(data, "winding").get("copper", True)
    if copper is False and is_number(at_c) and at_c != REFERENCE_C:
        message = "is only converted to 20 °C for copper; winding.copper is false"
        yield (*path, "at_temperature_c"), message


def _check_pump(data: Mapping[str, Any]) -> Iterator[tuple[KeyPath, str]]:
    pumps = [kind.value for kind in PartKind if kind.is_pump]
    kind = data.get("kind")
    known = [k.value for k in PartKind]
    if kind in pumps and isinstance(data.get("ability"), Mapping):
        if "dry_run_s_max" not in data["ability"]:
            yield ("ability",), "a pump needs dry_run_s_max: how long in s it may turn dry"
    elif kind in known and kind not in pumps and _table(data, "pump"):
        yield ("pump",), f"belongs to pumps only, not to the kind {kind}"


def _table(data: Mapping[str, Any], key: str) -> Mapping[str, Any]:
    found = data.get(key)
    return found if isinstance(found, Mapping) else {}
