"""Scenarios: an invented bench in a TOML file, from rig to clipped parts, faults and ending.

The packaged ones lie in ``benchrig_sim/scenarios/``, inside the package so that an installed
program has them. ``NAME?seed=3&fault=welded-output@cycle2`` changes a scenario on the way in.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, fields, replace
from functools import cache, lru_cache
from importlib.resources import files
from importlib.resources.abc import Traversable
from math import inf
from pathlib import Path
from typing import Any
from urllib.parse import parse_qsl

import numpy as np

from benchrig.errors import Finding, InputFileError, UsageError
from benchrig_sim.branch import PartSpec
from benchrig_sim.circuit import CircuitSpec
from benchrig_sim.coil import CoilSpec
from benchrig_sim.faults import BadFault, Fault, parse_fault
from benchrig_sim.motor import MotorSpec
from benchrig_sim.rig import RigSpec
from benchrig_sim.variants import build_rig

_PART_KEYS = {f.name for f in fields(PartSpec)} - {"electrical", "gaps"}
_COIL_KEYS = {f.name for f in fields(CoilSpec)}
_MOTOR_KEYS = {f.name for f in fields(MotorSpec)}
_CIRCUIT_KEYS = {f.name for f in fields(CircuitSpec)}


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """A bench and what a run on it should end with."""

    name: str
    title: str
    rig: RigSpec
    expect_verdict: str  # PASS, FAIL, INCONCLUSIVE or empty
    expect_exit: int | None
    expect_note: str = ""


@cache
def _packaged() -> dict[str, Traversable]:
    """The packaged scenarios' files, by name."""
    entries = (files("benchrig_sim") / "scenarios").iterdir()
    found = {e.name.removesuffix(".toml"): e for e in entries if e.name.endswith(".toml")}
    return dict(sorted(found.items()))


def packaged() -> list[str]:
    """Names of the packaged scenarios."""
    return list(_packaged())


def open_scenario(spec: str) -> Scenario:
    """The scenario a person named, with what stands behind the question mark."""
    name, _, query = spec.partition("?")
    try:
        pairs = parse_qsl(query, keep_blank_values=True, strict_parsing=True) if query else []
    except ValueError:
        raise UsageError(f"{query!r}: write key=value, joined by &") from None
    seed: int | None = None
    extra: list[Fault] = []
    overrides: list[tuple[str, str]] = []
    for key, value in pairs:
        if key == "seed":
            seed = _whole(key, value)
        elif key == "fault":
            try:
                extra.append(parse_fault(value))
            except BadFault as error:
                raise UsageError(str(error)) from error
        elif key in ("bits", "drift"):
            overrides.append((key, value))
        else:
            raise UsageError(f"{key!r}: a scenario takes seed, fault, bits and drift")
    text, file = _text_of(name)
    scenario = parse_scenario(text, file, Path(file).stem, seed=seed, overrides=tuple(overrides))
    rig = replace(scenario.rig, faults=(*scenario.rig.faults, *extra))
    return replace(scenario, rig=rig)


def _whole(key: str, value: str) -> int:
    try:
        return int(value)
    except ValueError:
        raise UsageError(f"{key}={value!r} is no whole number") from None


def _text_of(name: str) -> tuple[str, str]:
    if name in _packaged():
        return _packaged()[name].read_text(encoding="utf-8"), f"{name}.toml"
    path = Path(name)
    if path.suffix == ".toml" and path.is_file():
        return path.read_text(encoding="utf-8"), str(path)
    raise UsageError(
        f"no scenario is called {name!r}",
        advice="one of " + ", ".join(packaged()) + ", or the path of a .toml file",
    )


@lru_cache(maxsize=64)
def parse_scenario(
    text: str,
    file: str,
    name: str,
    *,
    seed: int | None = None,
    overrides: tuple[tuple[str, str], ...] = (),
) -> Scenario:
    """A scenario from TOML text; InputFileError names every fault found. It is not changed."""
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputFileError([Finding(file, None, str(error))]) from error
    reader = _Reader(file)
    reader.shapes(data)
    reader.raise_if_any()
    rig_table = dict(data.get("rig", {}))
    rig_table.update(overrides)
    number = seed if seed is not None else int(data.get("seed", 1))
    circuit = CircuitSpec(**reader.known(data.get("bench", {}), _CIRCUIT_KEYS, "bench"))
    parts = {}
    for table in data.get("part", []):
        slot = int(table.get("output", 0))
        parts[slot] = reader.part(table, f"part on output {slot}")
    faults = tuple(f for line in data.get("faults", []) if (f := reader.fault(line)))
    expect = data.get("expect", {})
    reader.raise_if_any()
    try:
        rig = build_rig(
            circuit=circuit,
            parts=parts,
            faults=faults,
            seed=number,
            bits=int(rig_table.get("bits", 10)),
            drift=float(rig_table.get("drift", 0.0)),
            relay_outputs=tuple(rig_table.get("relay_outputs", ())),
            conversion_us=int(rig_table.get("conversion_us", 25)),
            noise_codes=float(rig_table.get("noise_codes", 0.45)),
            errors=bool(rig_table.get("errors", True)),
        )
    except (TypeError, ValueError) as error:
        raise InputFileError([Finding(file, None, f"[rig]: {error}")]) from error
    return Scenario(
        name=name,
        title=str(data.get("title", name)),
        rig=rig,
        expect_verdict=str(expect.get("verdict", "")),
        expect_exit=expect.get("exit"),
        expect_note=str(expect.get("note", "")),
    )


class _Reader:
    """Turns tables into specs and collects what is wrong."""

    def __init__(self, file: str) -> None:
        self._file = file
        self._findings: list[Finding] = []

    def raise_if_any(self) -> None:
        if self._findings:
            raise InputFileError(self._findings)

    def _say(self, message: str) -> None:
        self._findings.append(Finding(self._file, None, message))

    def shapes(self, data: dict[str, Any]) -> None:
        """Say which of the outermost keys hold something of another kind than they should."""
        for key, kind in _SHAPES.items():
            if not isinstance(data.get(key, kind()), kind):
                self._say(f"{key}: {kind.__name__} expected")
        for key, kind in (("part", dict), ("faults", str)):
            entries = data.get(key, [])
            if isinstance(entries, list) and not all(isinstance(e, kind) for e in entries):
                self._say(f"{key}: each entry is a {kind.__name__}")
        parts = data.get("part", [])
        for table in parts if isinstance(parts, list) else ():
            if isinstance(table, dict):
                for key, kind in (("output", int), ("coil", dict), ("motor", dict)):
                    if not isinstance(table.get(key, kind()), kind):
                        self._say(f"part: {key}: {kind.__name__} expected")

    def _value_fits(self, key: str, value: object) -> bool:
        if key == "name":
            return isinstance(value, str)
        if isinstance(value, (list, tuple)):
            return all(self._value_fits("", entry) for entry in value)
        return isinstance(value, (int, float))

    def known(self, table: dict[str, Any], keys: set[str], where: str) -> dict[str, Any]:
        for key in table:
            if key not in keys:
                self._say(f"{where}: no key is called {key!r}")
            elif not self._value_fits(key, table[key]):
                self._say(f"{where}: {key} is no number")
        return {key: value for key, value in table.items() if key in keys}

    def fault(self, text: str) -> Fault | None:
        try:
            return parse_fault(text)
        except BadFault as error:
            self._say(str(error))
            return None

    def part(self, table: dict[str, Any], where: str) -> PartSpec:
        coil, motor = table.get("coil"), table.get("motor")
        rest = {k: v for k, v in table.items() if k not in ("coil", "motor", "output")}
        plain = self.known(rest, _PART_KEYS, where)
        plain.setdefault("name", where)
        if (coil is None) == (motor is None):
            self._say(f"{where}: give either a coil or a motor")
            return PartSpec(electrical=_NO_COIL, **plain)
        if coil is not None:
            electrical = self._electrical(CoilSpec, coil, _COIL_KEYS, where)
        else:
            lists = {k: tuple(v) if isinstance(v, list) else v for k, v in (motor or {}).items()}
            electrical = self._electrical(MotorSpec, lists, _MOTOR_KEYS, where)
        return PartSpec(electrical=electrical or _NO_COIL, **plain)

    def _electrical(
        self,
        kind: type[CoilSpec] | type[MotorSpec],
        table: dict[str, Any],
        keys: set[str],
        where: str,
    ) -> CoilSpec | MotorSpec | None:
        try:
            return kind(**self.known(table, keys, where))
        except TypeError as error:
            self._say(f"{where}: {error}")
            return None


_SHAPES: dict[str, type] = {
    "title": str,
    "seed": int,
    "rig": dict,
    "bench": dict,
    "part": list,
    "faults": list,
    "expect": dict,
}
_NO_COIL = CoilSpec(resistance_20c_ohm=1.0, inductance_rest_h=1e-3, inductance_seat_h=1e-3)


def random_coil(seed: int, *, ambient_c: float = 22.0) -> tuple[PartSpec, float]:
    """An invented solenoid drawn from a seed, and its true resistance at 20 °C."""
    rng = np.random.default_rng(seed)
    ohm = float(np.exp(rng.uniform(np.log(11.0), np.log(40.0))))
    rest = float(rng.uniform(0.5e-3, 0.9e-3)) * ohm
    coil = CoilSpec(
        resistance_20c_ohm=ohm,
        inductance_rest_h=rest,
        inductance_seat_h=rest * float(rng.uniform(1.05, 1.4)),
        saturation_wb=rest * 13.5 / ohm * float(rng.uniform(1.2, 2.0)),
        eddy_ohm=ohm * float(rng.uniform(10.0, 40.0)),
    )
    part = PartSpec(
        name=f"random coil {seed}",
        electrical=coil,
        lead_ohm=float(rng.uniform(0.03, 0.15)),
        heat_capacity_j_per_k=float(rng.uniform(12.0, 30.0)),
        thermal_k_per_w=float(rng.uniform(6.0, 12.0)),
        opens_above_c=inf,
        start_c=ambient_c,
    )
    return part, ohm
