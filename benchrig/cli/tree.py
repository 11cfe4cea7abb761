"""The command tree with its branches built when they are walked.

The help text of the whole names every command, but needs none of their code: this table holds
a line for each, and a test holds the line against the command's own words.
"""

from __future__ import annotations

import importlib
from collections.abc import Iterator, MutableMapping
from typing import Any

import typer
from typer.core import TyperCommand, TyperGroup

# Command -> its module here, and what the whole's help says of it.
BRANCHES: dict[str, tuple[str, str]] = {
    "run": (
        "runs",
        "Test one removed part: cold check, cycling, made safe with evidence, verdict, record.",
    ),
    "tray": (
        "trays",
        "Test a tray, slot after slot; begun again after any interruption it goes on where it was.",
    ),
    "demo": (
        "demo",
        "Show the whole job on a simulated rig: nothing real is switched on; "
        "all data are invented.",
    ),
    "analyse": (
        "analyse",
        "Find rise, armature motion, turn-off and ripple in a waveform; prints JSON.",
    ),
    "doctor": ("doctor", "Look at versions, ports, permissions, run log and broker."),
    "watch": (
        "shop",
        "The shop, live: each rig, what it runs, ENERGISED or OFF, the last verdicts.",
    ),
    "outbox": ("shop", "Verdicts that wait for the shop's broker."),
    "part": ("parts", "Part files: what a part is and its limits."),
    "pattern": ("parts", "Pattern files: timed on/off patterns."),
    "rig": ("rigs", "The rig itself."),
    "record": ("records", "Records of finished runs."),
    "set": ("sets", "Matched sets."),
}
# Options of the whole that stand before any command.
_COMPLETION = ("install_completion", "show_completion")


def _whole() -> None:
    """Keep a tree of one command a tree."""


def built(name: str) -> Any:
    """One branch with its options, from its module."""
    module = importlib.import_module(f"benchrig.cli.{BRANCHES[name][0]}")
    app = typer.Typer(add_completion=False, rich_markup_mode=None, pretty_exceptions_enable=False)
    app.callback()(_whole)
    module.register(app)
    _quick(app)
    group: Any = typer.main.get_command(app)
    return group.commands[name]


class _QuickHelp:
    """A help option that is false when it is not given.

    typer's own is nothing then, and typer checks nothing with pydantic; loading that takes longer
    than most commands.
    """

    def get_help_option(self, ctx: Any) -> Any:
        """The option, once its default is known to be a flag's."""
        option: Any = super().get_help_option(ctx)  # type: ignore[misc]
        if option is not None and option.default is None:
            option.default = False
        return option


class _Leaf(_QuickHelp, TyperCommand):
    pass


class _Branch(_QuickHelp, TyperGroup):
    """A branch whose help gives each command's line whole: half a sentence helps nobody."""

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """The commands with their lines."""
        with formatter.section("Commands"):
            formatter.write_dl(
                [
                    (name, self.commands[name].get_short_help_str(limit=500))
                    for name in self.list_commands(ctx)
                ]
            )


def _quick(app: typer.Typer) -> None:
    for command in app.registered_commands:
        command.cls = _Leaf
    for group in app.registered_groups:
        group.cls = _Branch
        if group.typer_instance is not None:
            _quick(group.typer_instance)


class Branches(MutableMapping[str, Any]):
    """Commands by name, each built when it is first asked for."""

    def __init__(self) -> None:
        self._built: dict[str, Any] = dict.fromkeys(BRANCHES)

    def __getitem__(self, name: str) -> Any:
        if self._built[name] is None:
            self._built[name] = built(name)
        return self._built[name]

    def __setitem__(self, name: str, command: Any) -> None:
        self._built[name] = command

    def __delitem__(self, name: str) -> None:
        del self._built[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._built)

    def __len__(self) -> int:
        return len(self._built)


class Tree(_QuickHelp, TyperGroup):
    """The whole: names and lines at once, commands when they are called."""

    def __init__(self, **settings: Any) -> None:
        super().__init__(**settings)
        self.commands = Branches()

    def invoke(self, ctx: Any) -> Any:
        """The command; an interrupt of one that has no run to end is told as such."""
        try:
            return super().invoke(ctx)
        except KeyboardInterrupt:
            from benchrig.cli.output import Interrupted

            raise Interrupted from None

    def list_commands(self, ctx: Any) -> list[str]:
        """Names only."""
        return list(self.commands)

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """The table's lines, whole."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, line) for name, (_, line) in BRANCHES.items()])

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Leave out what only stands before a command when a command comes first."""
        if args and not args[0].startswith("-"):
            self.params = [p for p in self.params if p.name not in _COMPLETION]
        return super().parse_args(ctx, args)
