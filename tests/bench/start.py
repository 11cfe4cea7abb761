"""How long a command takes to begin, beside importing typer alone and the interpreter alone.

Listing parts is timed with 1, 4 and 16 times as many part files of the user's own, too.
Processor time of the child, least of several, the three taking turns so that a busy machine
weighs on all alike. The limit is the interpreter that does nothing.
"""

from __future__ import annotations

import json as json_module
import math
import os
import resource
import subprocess
import sys
import tempfile
from pathlib import Path

from benchrig.parts import library

TURNS = 15
# What any command of typer with an option takes: it checks its values with pydantic.
BARE = (
    "import typer; from typing import Annotated; app = typer.Typer(rich_markup_mode=None)\n"
    "@app.command()\n"
    "def work(flag: Annotated[bool, typer.Option('--json')] = False) -> None: pass\n"
    "app([], standalone_mode=False)"
)
COMMANDS = {
    "nothing": ["-c", "pass"],
    "import_typer": ["-c", "import typer"],
    "bare_typer_command": ["-c", BARE],
    "help": ["-m", "benchrig", "--help"],
    "part_list": ["-m", "benchrig", "part", "list"],
}
HELP_MOST, LIST_MOST = 1.5, 2.0
OWN_PARTS = (8, 32, 128)


def child_s(arguments: list[str], environment: dict[str, str]) -> float:
    """Processor time of one process."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(
        [sys.executable, *arguments], check=True, env=environment, stdout=subprocess.DEVNULL
    )
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def _listing_s(home: str, count: int, environment: dict[str, str]) -> float:
    """``part list`` with so many part files of the user's own."""
    folder = Path(home) / "benchrig" / "parts"
    folder.mkdir(parents=True, exist_ok=True)
    example = library.find("demo-injector").read_text(encoding="utf-8")
    for number in range(count):
        (folder / f"own-{number}.toml").write_text(example, encoding="utf-8")
    return min(child_s(COMMANDS["part_list"], environment) for _ in range(TURNS))


def run(json: bool) -> int:
    """Print the table; 1 when a target was missed."""
    with tempfile.TemporaryDirectory(prefix="benchrig-bench-") as home:
        environment = {
            **os.environ,
            **{"HOME": home, "XDG_DATA_HOME": home, "XDG_CONFIG_HOME": home},
            # An installed program is compiled once; a checkout may be told not to keep that.
            **{"PYTHONPYCACHEPREFIX": home, "PYTHONDONTWRITEBYTECODE": ""},
        }
        for arguments in COMMANDS.values():
            child_s(arguments, environment)
        least = dict.fromkeys(COMMANDS, float("inf"))
        for _ in range(TURNS):
            for name, arguments in COMMANDS.items():
                least[name] = min(least[name], child_s(arguments, environment))
        listing = [_listing_s(home, count, environment) for count in OWN_PARTS]
    result = {f"{name}_ms": 1e3 * spent for name, spent in least.items()}
    result["help_over_typer"] = least["help"] / least["import_typer"]
    result["part_list_over_typer"] = least["part_list"] / least["import_typer"]
    result["part_list_over_bare_command"] = least["part_list"] / least["bare_typer_command"]
    for count, spent in zip(OWN_PARTS, listing, strict=True):
        result[f"part_list_with_{count}_own_ms"] = 1e3 * spent
    growth = math.log(listing[-1] / listing[0]) / math.log(OWN_PARTS[-1] / OWN_PARTS[0])
    result["part_list_exponent"] = growth
    met = result["help_over_typer"] <= HELP_MOST and result["part_list_over_typer"] <= LIST_MOST
    if json:
        print(json_module.dumps(result, indent=2))
        return int(not met)
    for key, value in result.items():
        print(f"{key:28}{value:10.3g}")
    print(f"help <= {HELP_MOST:g}, part list <= {LIST_MOST:g}: {'met' if met else 'MISSED'}")
    return int(not met)
