"""Tray files: which part lies in which slot, on which output, and what its labels say.

::

    order = "K-2031"
    customer_words = "stalls when warm"     # the complaint, as it was given
    part = "demo-injector"
    pattern = "short-pulse"
    position_scheme = "cylinder number"     # what the position labels count

    [temperature]
    soaked_c = 22                           # or probe_c

    [golden]                                # the part measured every morning
    tag = "GOLDEN-1"
    output = 7                              # leave out: `benchrig rig golden` was run before

    [[slot]]                                # in the order they are done
    output = 0
    tag = "K-2031-01"                       # leave out: scanned with --scan
    part_number = "as stamped"
    position = "3"                          # as written; never sorted, never renumbered

One part on one output; parts beyond the rig's outputs go into further files of the order.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict, Field

from benchrig.errors import BenchrigError, InputFileError, UsageError
from benchrig.parts import library as part_library
from benchrig.parts.part import Part
from benchrig.patterns import library as pattern_library
from benchrig.patterns.pattern import Pattern
from benchrig.record.values import PartTemperature, RunPlan, Stage, TemperatureBasis
from benchrig.tomlfile import KeyPath, TomlDocument, read_toml, validate

TEMPERATURE_C_MIN, TEMPERATURE_C_MAX = -40.0, 150.0
ROOM_C_MAX = 50.0  # above it a "room" is one in °F: 68 °F and up; common practice, no source
PROBE_U_C = 0.5  # a contact probe on the part; common practice, no source
SOAKED_U_C = 1.0  # an hour or more in a quiet room; common practice, no source
OUTPUTS_MAX = 31


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


class TemperatureModel(_Strict):
    """``[temperature]``: how the parts' temperature before the run is known."""

    soaked_c: float | None = Field(default=None, ge=TEMPERATURE_C_MIN, le=TEMPERATURE_C_MAX)
    probe_c: float | None = Field(default=None, ge=TEMPERATURE_C_MIN, le=TEMPERATURE_C_MAX)


class GoldenModel(_Strict):
    """``[golden]``: the golden part of the rig."""

    tag: str = Field(min_length=1, max_length=80)
    output: int | None = Field(default=None, ge=0, le=OUTPUTS_MAX)
    part: str = Field(default="", max_length=200)


class SlotModel(_Strict):
    """One ``[[slot]]``."""

    output: int = Field(ge=0, le=OUTPUTS_MAX)
    tag: str = Field(default="", max_length=80)
    part_number: str = Field(default="", max_length=80)
    position: str = Field(default="", max_length=80)
    note: str = Field(default="", max_length=500)
    part: str = Field(default="", max_length=200)


class TrayModel(_Strict):
    """A whole tray file."""

    order: str = Field(min_length=1, max_length=80)
    part: str = Field(min_length=1, max_length=200)
    pattern: str = Field(min_length=1, max_length=200)
    customer_words: str = Field(default="", max_length=500)
    position_scheme: str = Field(default="", max_length=80)
    operator: str = Field(default="", max_length=80)
    body_clip: bool = False
    temperature: TemperatureModel | None = None
    golden: GoldenModel | None = None
    slot: list[SlotModel] = Field(min_length=1, max_length=OUTPUTS_MAX + 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Slot:
    """One slot; its labels as they were written."""

    number: int  # place in the file, from 1
    output: int
    tag: str
    part_number: str
    position: str
    note: str
    part: Part


@dataclass(frozen=True, slots=True, kw_only=True)
class GoldenPart:
    """The golden part; without an output it was measured by a command of its own."""

    tag: str
    output: int | None
    part: Part


@dataclass(frozen=True, slots=True, kw_only=True)
class Tray:
    """A tray file, with its parts and its pattern loaded."""

    name: str  # the file's stem
    order: str
    customer_words: str
    position_scheme: str
    operator: str
    pattern: Pattern
    temperature: PartTemperature | None
    body_clip: bool  # the extra clip lies on each part's metal body: insulation is measured
    golden: GoldenPart | None
    slots: tuple[Slot, ...]
    file: str
    digest: str

    def plan(self, slot: Slot, stage: Stage) -> RunPlan:
        """What is done with one slot."""
        return RunPlan(
            part=slot.part,
            pattern=self.pattern,
            output=slot.output,
            temperature=self.temperature,
            tag=slot.tag,
            part_number=slot.part_number,
            order=self.order,
            tray=self.name,
            position=slot.position,
            position_scheme=self.position_scheme,
            operator=self.operator,
            stage=stage,
            body_clip=self.body_clip,
            note=slot.note,
        )

    def golden_plan(self) -> RunPlan | None:
        """The golden part's own run, where the file gives it an output."""
        if self.golden is None or self.golden.output is None:
            return None
        return RunPlan(
            part=self.golden.part,
            pattern=self.pattern,
            output=self.golden.output,
            temperature=self.temperature,
            tag=self.golden.tag,
            operator=self.operator,
            stage=Stage.GOLDEN,
        )

    def with_tags(self, tags: Mapping[int, str]) -> Tray:
        """The same tray with tags scanned, by slot number; UsageError where they clash."""
        slots = tuple(replace(s, tag=tags.get(s.number, s.tag)) for s in self.slots)
        for slot in slots:
            written = self.slots[slot.number - 1].tag
            if written and slot.tag != written:
                raise UsageError(
                    f"slot {slot.number}: the file says {written}, the part says {slot.tag}",
                    advice="look at the part in this slot; nothing was switched on",
                )
        twice = repeated([s.tag for s in slots if s.tag])
        if twice:
            raise UsageError(f"a tag belongs to one part; given twice: {', '.join(twice)}")
        return replace(self, slots=slots)


def repeated(tags: list[str]) -> list[str]:
    """What stands in a list more than once, upper and lower case taken as the same."""
    folded = [tag.casefold() for tag in tags]
    return [tag for place, tag in enumerate(tags) if folded.index(tag.casefold()) != place]


def read_tray(path: Path) -> Tray:
    """The tray of a file; raises InputFileError with every fault."""
    document = read_toml(path)
    loaded = _Loader(document, path.parent)
    model = validate(document, TrayModel, (_check_slots, _check_temperature, loaded.check))
    pattern = loaded.patterns[model.pattern]
    golden = model.golden
    return Tray(
        name=path.stem,
        order=model.order,
        customer_words=model.customer_words,
        position_scheme=model.position_scheme,
        operator=model.operator,
        pattern=pattern,
        temperature=_temperature(model.temperature),
        body_clip=model.body_clip,
        golden=None
        if golden is None
        else GoldenPart(
            tag=golden.tag,
            output=golden.output,
            part=loaded.parts[golden.part or model.part],
        ),
        slots=tuple(
            Slot(
                number=number,
                output=slot.output,
                tag=slot.tag.strip(),
                part_number=slot.part_number,
                position=slot.position,
                note=slot.note,
                part=loaded.parts[slot.part or model.part],
            )
            for number, slot in enumerate(model.slot, 1)
        ),
        file=document.file,
        digest=document.digest,
    )


def _temperature(model: TemperatureModel | None) -> PartTemperature | None:
    if model is None:
        return None
    if model.probe_c is not None:
        return part_temperature(probe_c=model.probe_c)
    return part_temperature(soaked_c=model.soaked_c)


def part_temperature(
    *, probe_c: float | None = None, soaked_c: float | None = None
) -> PartTemperature | None:
    """A temperature with how it is known; None when nobody knows it, UsageError if it is none."""
    if probe_c is not None and soaked_c is not None:
        raise UsageError("give --temperature-c or --soaked, not both")
    for given in (probe_c, soaked_c):
        if given is not None and not TEMPERATURE_C_MIN <= given <= TEMPERATURE_C_MAX:
            raise UsageError(
                f"{given:g} °C is no temperature of a part on a bench "
                f"({TEMPERATURE_C_MIN:g} to {TEMPERATURE_C_MAX:g})"
            )
    if soaked_c is not None and soaked_c > ROOM_C_MAX:
        raise UsageError(f"{soaked_c:g} °C is no room's temperature", advice=_not_a_room(soaked_c))
    if probe_c is not None:
        return PartTemperature(
            value_c=probe_c, std_uncertainty_c=PROBE_U_C, basis=TemperatureBasis.PROBE
        )
    if soaked_c is not None:
        return PartTemperature(
            value_c=soaked_c, std_uncertainty_c=SOAKED_U_C, basis=TemperatureBasis.SOAKED
        )
    return None


def _not_a_room(given: float) -> str:
    return (
        f"it is asked for in °C, and {given:g} °F are {(given - 32) / 1.8:.1f} °C; "
        "a part warmer than any room is measured by a probe on it"
    )


class _Loader:
    """Loads the part and pattern files a tray names; a bad one is a fault of its key."""

    def __init__(self, document: TomlDocument, folder: Path) -> None:
        self._document = document
        self._folder = folder
        self.parts: dict[str, Part] = {}
        self.patterns: dict[str, Pattern] = {}

    def check(self, data: Mapping[str, Any]) -> Iterator[tuple[KeyPath, str]]:
        yield from self._load(("pattern",), data, pattern_library.load, self.patterns)
        yield from self._load(("part",), data, part_library.load, self.parts)
        if isinstance(golden := data.get("golden"), Mapping):
            yield from self._load(("golden", "part"), golden, part_library.load, self.parts)
        for number, slot in enumerate(_slots(data)):
            place = ("slot", number, "part")
            yield from self._load(place, slot, part_library.load, self.parts)
        for name, part in self.parts.items():
            if part.kind.is_forbidden:
                yield (
                    self._place_of(name, data),
                    f"{part.title}: a {part.kind} must not be driven by this rig",
                )

    def _load(
        self,
        path: KeyPath,
        table: Mapping[str, Any],
        load: Callable[[str | Path], Any],
        into: dict[str, Any],
    ) -> Iterator[tuple[KeyPath, str]]:
        name = table.get(str(path[-1]))
        if not isinstance(name, str) or not name or name in into:
            return
        try:
            into[name] = load(self._beside(name))
        except InputFileError as error:
            where = self._beside(name)
            gone = isinstance(where, Path) and not os.path.lexists(where)
            hint = "; a path is taken from beside the tray file" if gone else ""
            yield path, "; ".join(str(finding) for finding in error.findings) + hint
        except BenchrigError as error:
            yield path, error.message

    def _beside(self, name: str) -> str | Path:
        """A path is taken from where the tray file lies."""
        is_path = name.endswith(".toml") or "/" in name or "\\" in name
        return self._folder / name if is_path else name

    def _place_of(self, name: str, data: Mapping[str, Any]) -> KeyPath:
        for number, slot in enumerate(_slots(data)):
            if slot.get("part") == name:
                return ("slot", number, "part")
        return ("part",)


def _check_temperature(data: Mapping[str, Any]) -> Iterator[tuple[KeyPath, str]]:
    table = data.get("temperature")
    if isinstance(table, Mapping) and len({"soaked_c", "probe_c"} & table.keys()) != 1:
        yield ("temperature",), "needs one of soaked_c and probe_c; leave the table out if unknown"
        return
    room = table.get("soaked_c") if isinstance(table, Mapping) else None
    if isinstance(room, (int, float)) and ROOM_C_MAX < room <= TEMPERATURE_C_MAX:
        yield (
            ("temperature", "soaked_c"),
            f"{room:g} °C is no room's temperature; {_not_a_room(room)}",
        )


def _check_slots(data: Mapping[str, Any]) -> Iterator[tuple[KeyPath, str]]:
    for key, why in (
        ("output", "one part on one output; put the rest into another tray file of the order"),
        ("tag", "a tag belongs to one part"),
    ):
        first: dict[object, int] = {}
        for number, slot in enumerate(_slots(data)):
            value = slot.get(key)
            if isinstance(value, str):
                value = value.strip().casefold()
            if value in (None, "") or isinstance(value, bool | list | dict):
                continue
            if value in first:
                yield (
                    ("slot", number, key),
                    f"{slot[key]!r} stands in slot {first[value] + 1} too; {why}",
                )
            else:
                first[value] = number
    yield from _check_golden(data)
    labelled = [n for n, slot in enumerate(_slots(data)) if slot.get("position")]
    if labelled and not data.get("position_scheme"):
        yield (
            ("slot", labelled[0], "position"),
            'a position needs position_scheme, what the labels count: "cylinder number", for one',
        )


def _check_golden(data: Mapping[str, Any]) -> Iterator[tuple[KeyPath, str]]:
    golden = data.get("golden")
    if not isinstance(golden, Mapping):
        return
    for number, slot in enumerate(_slots(data)):
        if slot.get("output") == golden.get("output") and golden.get("output") is not None:
            yield ("golden", "output"), f"slot {number + 1} is on this output too"
        if isinstance(slot.get("tag"), str) and slot["tag"] == golden.get("tag"):
            yield ("golden", "tag"), f"slot {number + 1} has this tag too"


def _slots(data: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    slots = data.get("slot")
    if not isinstance(slots, list) or not all(isinstance(slot, Mapping) for slot in slots):
        return []
    return slots
