"""pydantic's findings in the words of a workshop: what is wrong, the unit, what is allowed."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping
from enum import Enum
from typing import Any, get_args

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from benchrig.text import printable
from benchrig.tomlfile.index import KeyPath

# The unit stands last in every numeric key (``x_ohm``), or before ``_min`` / ``_max``.
_UNITS = {
    "ohm": "ohm",
    "a": "A",
    "v": "V",
    "s": "s",
    "us": "µs",
    "ms": "ms",
    "h": "H",
    "c": "°C",
    "rpm": "1/min",
    "ul": "µL",
}
_SINGULAR = {"steps": "step", "slots": "slot", "parts": "part"}
_BOUNDS = (("gt", "above"), ("ge", "at least"), ("lt", "below"), ("le", "at most"))


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """``; did you mean "x"?`` when something close is known, else nothing."""
    close = difflib.get_close_matches(word, list(known), n=1, cutoff=0.6)
    return f'; did you mean "{close[0]}"?' if close else ""


def shown_path(path: KeyPath) -> str:
    """A path for people: ``step 2, on_us`` for ``("steps", 1, "on_us")``."""
    words: list[str] = []
    for number, key in enumerate(path):
        if isinstance(key, int):
            name = words.pop() if words else "item"
            words.append(f"{_SINGULAR.get(name, name)} {key + 1}")
        elif number and not isinstance(path[number - 1], int):
            words[-1] += f".{key}"
        else:
            words.append(key)
    return ", ".join(words)


def unit_at(path: KeyPath) -> str:
    """The unit of the number at a path: a side of a limit has its table's."""
    named = [key for key in path if key not in ("low", "high")]
    return unit_of(named[-1]) if named else ""


def unit_of(key: str | int) -> str:
    """The unit a key's name carries, or nothing."""
    words = [w for w in str(key).split("_") if w not in ("min", "max")]
    return _UNITS.get(words[-1], "") if len(words) > 1 else ""


def sentence(detail: Mapping[str, Any], model: type[BaseModel]) -> str:
    """One of pydantic's error details as a sentence without the path."""
    path: KeyPath = tuple(detail["loc"])
    field, owner = _field_at(model, path)
    kind, context = str(detail["type"]), detail.get("ctx", {})
    shown = _shown(detail.get("input"))
    unit = unit_at(path)
    of_unit = f" in {unit}" if unit else ""
    allowed = _allowed(field, unit)
    match kind:
        case "missing":
            return f"is missing; it is needed{of_unit}{allowed}"
        case "extra_forbidden":
            known = _keys(owner)
            hint = did_you_mean(str(path[-1]), known)
            return "unknown key" + (hint or "; known here: " + ", ".join(sorted(known)))
        case "float_type" | "int_type" | "float_parsing" | "int_parsing" | "int_parsing_size":
            whole = "a whole number" if kind.startswith("int") else "a number"
            quotes = " (without quotes)" if isinstance(detail.get("input"), str) else ""
            return f"must be {whole}{of_unit}{quotes}{allowed}, not {shown}"
        case "int_from_float":
            return f"must be a whole number{of_unit}{allowed}, not {shown}"
        case "greater_than" | "greater_than_equal" | "less_than" | "less_than_equal":
            return f"{shown}{' ' + unit if unit else ''} is out of range{allowed}"
        case "finite_number":
            return f"must be a finite number{of_unit}{allowed}, not {shown}"
        case "bool_type" | "bool_parsing":
            return f"must be true or false (without quotes), not {shown}"
        case "string_type":
            return f"must be text in quotes, not {shown}"
        case "string_too_short":
            return "must not be empty"
        case "string_too_long":
            return f"is longer than {context.get('max_length')} characters"
        case "enum" | "literal_error":
            return _choice(field, detail.get("input"), context)
        case "list_type" | "tuple_type":
            return f"must be a list of tables, not {shown}"
        case "too_short":
            return "must not be empty"
        case "too_long":
            return f"has more than {context.get('max_length')} entries"
        case "model_type" | "model_attributes_type" | "dict_type":
            return f"must be a table, not {shown}"
        case "value_error" | "assertion_error":
            return str(context.get("error", detail["msg"]))
        case _:
            return f"{detail['msg'][:1].lower()}{detail['msg'][1:]}"


def _choice(field: FieldInfo | None, given: object, context: Mapping[str, Any]) -> str:
    values = _enum_values(field)
    listed = ", ".join(f'"{value}"' for value in values) or str(context.get("expected", ""))
    hint = did_you_mean(given, values) if isinstance(given, str) else ""
    return f"{_shown(given)} is not known here{hint or f'; known: {listed}'}"


def _enum_values(field: FieldInfo | None) -> list[str]:
    for kind in _kinds(field.annotation) if field else []:
        if isinstance(kind, type) and issubclass(kind, Enum):
            return [str(member.value) for member in kind]
    return []


def _shown(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Mapping):
        return "a table"
    if isinstance(value, list | tuple):
        return "a list"
    if isinstance(value, str):
        text = value if len(value) <= 40 else value[:37] + "..."
        return f'"{printable(text)}"'
    text = str(value)
    return text if len(text) <= 40 else text[:37] + "..."


def _allowed(field: FieldInfo | None, unit: str) -> str:
    words = []
    for item in field.metadata if field else ():
        for name, word in _BOUNDS:
            if (bound := getattr(item, name, None)) is not None:
                words.append(f"{word} {bound:g}")
    return f" (allowed: {', '.join(words)}{' ' + unit if unit else ''})" if words else ""


def _kinds(annotation: Any) -> list[Any]:
    """An annotation and everything inside it, e.g. the model in ``tuple[Model, ...] | None``."""
    found = [annotation]
    for inner in get_args(annotation):
        found += _kinds(inner)
    return found


def _model_in(annotation: Any) -> type[BaseModel] | None:
    for kind in _kinds(annotation):
        if isinstance(kind, type) and issubclass(kind, BaseModel):
            return kind
    return None


def _field_at(
    model: type[BaseModel], path: KeyPath
) -> tuple[FieldInfo | None, type[BaseModel] | None]:
    """The field a path leads to and the model that owns its last key."""
    owner: type[BaseModel] | None = model
    field: FieldInfo | None = None
    for number, key in enumerate(path):
        if isinstance(key, int):
            continue
        field = _fields(owner).get(key)
        if number < len(path) - 1:
            owner = _model_in(field.annotation) if field else None
    return field, owner


def _fields(owner: type[BaseModel] | None) -> dict[str, FieldInfo]:
    if owner is None:
        return {}
    return {field.alias or name: field for name, field in owner.model_fields.items()}


def _keys(owner: type[BaseModel] | None) -> list[str]:
    return list(_fields(owner))
