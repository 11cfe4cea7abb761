"""The house rules that a machine can hold: imports run down, each outer library has one door."""

from __future__ import annotations

import ast
import re
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "benchrig"

# High to low. A room may import any lower floor and itself; rooms of one floor not each other.
FLOORS: tuple[tuple[str, ...], ...] = (
    ("cli",),
    ("report", "live", "bench"),
    ("record", "rig"),
    ("judge",),
    ("measure",),
    ("patterns",),
    ("parts",),
    ("wire", "library"),
    ("tomlfile",),
    ("errors", "quantity", "text"),
)
FLOOR_OF = {room: number for number, rooms in enumerate(FLOORS) for room in rooms}

# Outer library -> rooms that may import it.
DOORS: dict[str, set[str]] = {
    "serial": {"rig"},
    "typer": {"cli"},
    "aiomqtt": {"live"},
    "paho": {"live"},  # what aiomqtt stands on
    "sqlalchemy": {"record"},
    "sqlite3": {"record"},
    "matplotlib": {"report"},
    "weasyprint": {"report"},
    "jinja2": {"report"},
    "rich": {"cli", "report", "live"},
    "tomllib": {"tomlfile"},
}
DISTRIBUTION_OF = {"serial": "pyserial", "paho": "paho-mqtt"}  # where the names differ
SHIPPED_EXTRAS = ("pdf", "postgres", "parquet")
OWN = {"benchrig", "benchrig_sim", "avr"}
WIRE_FORBIDDEN = {"asyncio", "serial", "socket", "time", "threading", "logging", "random", "numpy"}
FUNCTION_LINES_MAX = 70
WALL_CLOCKS = {
    *("time.time", "time.monotonic", "time.perf_counter", "time.sleep"),
    *("datetime.now", "datetime.utcnow", "datetime.today", "date.today"),
}


def _modules() -> list[Path]:
    return sorted(p for p in PACKAGE.rglob("*.py") if "firmware" not in p.parts)


def _room(path: Path) -> str:
    relative = path.relative_to(PACKAGE)
    return relative.parts[0] if len(relative.parts) > 1 else relative.stem


def _imports(path: Path) -> list[tuple[str, int]]:
    found = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found += [(alias.name, node.lineno) for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
            found.append((node.module, node.lineno))
    return found


@pytest.mark.parametrize("path", _modules(), ids=lambda p: str(p.relative_to(ROOT)))
def test_imports_run_down_only(path: Path) -> None:
    room = _room(path)
    if room in ("__init__", "__main__"):
        return
    assert room in FLOOR_OF, f"{path.name}: the room {room} stands on no floor; add it to FLOORS"
    for module, line in _imports(path):
        parts = module.split(".")
        if parts[0] != "benchrig" or len(parts) < 2 or parts[1] == room:
            continue
        assert FLOOR_OF[parts[1]] > FLOOR_OF[room], (
            f"{path.relative_to(ROOT)}:{line} imports {module}: "
            f"{room} may only import lower floors than its own"
        )


@pytest.mark.parametrize("path", _modules(), ids=lambda p: str(p.relative_to(ROOT)))
def test_each_outer_library_has_its_doors(path: Path) -> None:
    room = _room(path)
    for module, line in _imports(path):
        rooms = DOORS.get(module.split(".")[0])
        assert rooms is None or room in rooms, (
            f"{path.relative_to(ROOT)}:{line} imports {module}, which only {rooms} may"
        )
        if room == "wire":
            assert module.split(".")[0] not in WIRE_FORBIDDEN, (
                f"{path.relative_to(ROOT)}:{line}: wire/ knows no {module}"
            )


@pytest.mark.parametrize("path", _modules(), ids=lambda p: str(p.relative_to(ROOT)))
def test_modules_say_what_they_are(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    if text.count("\n") > 3:
        assert ast.get_docstring(ast.parse(text)), f"{path.relative_to(ROOT)} has no docstring"
        assert "TODO" not in text, f"{path.relative_to(ROOT)} has a TODO"


@pytest.mark.parametrize("path", _modules(), ids=lambda p: str(p.relative_to(ROOT)))
def test_functions_are_short(path: Path) -> None:
    """Counted from the body on: the options of a command are no work that it does."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            lines = (node.end_lineno or 0) - node.body[0].lineno + 1
            assert lines <= FUNCTION_LINES_MAX, (
                f"{path.relative_to(ROOT)}: {node.name} has {lines} lines, "
                f"the most is {FUNCTION_LINES_MAX}"
            )


@pytest.mark.parametrize("path", _modules(), ids=lambda p: str(p.relative_to(ROOT)))
def test_only_the_command_line_looks_at_a_clock_on_the_wall(path: Path) -> None:
    """Time is the event loop's, so that a run of minutes repeats exactly in a moment."""
    if _room(path) == "cli":
        return
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        called = ast.unparse(node.func) if isinstance(node, ast.Call) else ""
        assert called not in WALL_CLOCKS, f"{path.relative_to(ROOT)} calls {called}"


@pytest.mark.parametrize("name", ["bench/safety.py", "bench/prechecks.py", "record/values.py"])
def test_no_safety_check_is_an_assert(name: str) -> None:
    """``python -O`` takes them away."""
    tree = ast.parse((PACKAGE / name).read_text(encoding="utf-8"))
    assert not [node.lineno for node in ast.walk(tree) if isinstance(node, ast.Assert)]


@pytest.mark.parametrize("path", _modules(), ids=lambda p: str(p.relative_to(ROOT)))
def test_what_is_imported_is_declared(path: Path) -> None:
    """Not only brought along by something else, which may stop doing so."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = project["optional-dependencies"]
    wanted = [*project["dependencies"], *(w for name in SHIPPED_EXTRAS for w in extras[name])]
    declared = {re.split(r"[^\w-]", line)[0].lower() for line in wanted}
    for module, line in _imports(path):
        name = module.split(".")[0]
        if name in sys.stdlib_module_names or name in OWN:
            continue
        assert DISTRIBUTION_OF.get(name, name) in declared, (
            f"{path.relative_to(ROOT)}:{line} imports {name}, which pyproject.toml does not name"
        )


def test_only_make_safe_makes_evidence() -> None:
    makers = []
    for path in _modules():
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "SafeEvidence":
                makers.append(str(path.relative_to(PACKAGE)))
    assert set(makers) <= {"bench/safety.py"}, f"evidence made in {makers}"
