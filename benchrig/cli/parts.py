"""``benchrig part`` and ``benchrig pattern``: list, show, check."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from benchrig.cli.output import columns, say, say_json
from benchrig.errors import InputFileError

if TYPE_CHECKING:
    from benchrig.parts.part import Part

part_app = typer.Typer(help="Part files: what a part is and its limits.", no_args_is_help=True)
pattern_app = typer.Typer(help="Pattern files: timed on/off patterns.", no_args_is_help=True)

NameArgument = Annotated[str, typer.Argument(help="A name from the list, or a file.")]
FilesArgument = Annotated[list[str], typer.Argument(help="Files or names to check.")]
TomlOption = Annotated[
    bool, typer.Option("--toml", help="The text of such a file, to begin one of your own from.")
]
JsonOption = Annotated[bool, typer.Option("--json", help="One JSON document on standard output.")]


def register(app: typer.Typer) -> None:
    """Add ``part`` and ``pattern`` to the tree."""
    app.add_typer(part_app, name="part")
    app.add_typer(pattern_app, name="pattern")


@part_app.command("list")
def part_list(as_json: JsonOption = False) -> None:
    """List the known parts: your own first, then the packaged (invented) ones."""
    from benchrig.parts import library

    found = library.entries()
    if as_json:
        say_json(
            {
                "schema": "benchrig.parts/1",
                "parts": [{"name": e.name, "file": str(e.path)} for e in found],
            }
        )
        return
    own = " (hides the packaged one)"
    rows = [(e.name, str(e.path) + own * e.hides_packaged) for e in found]
    say(columns([("NAME", "FILE"), *rows]))


@part_app.command("show")
def part_show(name: NameArgument, toml: TomlOption = False, as_json: JsonOption = False) -> None:
    """Show a part: limits with their source, and what it can bear."""
    from benchrig.parts import library
    from benchrig.parts.part import UNITS

    part = library.load(name)
    if toml:
        from benchrig.parts.partwrite import part_to_toml

        say(part_to_toml(part).rstrip())
        return
    limits: list[dict[str, Any]] = [
        {
            "name": limit.characteristic.value,
            "low": limit.low,
            "high": limit.high,
            "unit": UNITS[limit.characteristic],
            "rule": limit.rule.value,
            "source": limit.source,
            "at_voltage_v": limit.at_voltage_v,
        }
        for limit in part.limits
    ]
    if as_json:
        say_json(
            {
                "schema": "benchrig.part/1",
                "name": part.name,
                "title": part.title,
                "kind": part.kind.value,
                "invented": part.invented,
                "limits": limits,
                "ability": {
                    key: getattr(part.ability, key)
                    for key in (
                        "on_s_max",
                        "duty_max",
                        "winding_c_max",
                        "current_a_max",
                        "supply_v_max",
                        "dry_run_s_max",
                    )
                },
                "winding": {
                    "nominal_resistance_ohm": part.nominal_resistance_ohm,
                    "copper": part.copper_winding,
                    "polarity_matters": part.polarity_matters,
                    "ripples_per_turn": part.ripples_per_turn,
                },
                "note": part.note,
                "file": part.file,
                "digest": part.digest,
            }
        )
        return
    _say_part(part, limits)


def _say_part(part: Part, limits: list[dict[str, Any]]) -> None:
    from benchrig.judge.words import written

    say(f"{part.title} ({part.kind})" + ("   INVENTED DATA" if part.invented else ""))
    rows = [("LIMIT", "LOW", "HIGH", "UNIT", "AT", "RULE", "SOURCE")]
    for limit in limits:
        low, high = (
            "-" if limit[side] is None else written(limit[side], 6) for side in ("low", "high")
        )
        at = "-" if limit["at_voltage_v"] is None else f"{limit['at_voltage_v']:g} V"
        rows.append((limit["name"], low, high, limit["unit"], at, limit["rule"], limit["source"]))
    say(columns(rows, indent="  "))
    bear = part.ability
    say(
        f"  bears: {bear.on_s_max:g} s on at once, {100 * bear.duty_max:.3g} % on, winding "
        f"{bear.winding_c_max:g} °C, {bear.current_a_max:g} A, {bear.supply_v_max:g} V"
    )
    if bear.dry_run_s_max is not None:
        say(f"  runs dry for {bear.dry_run_s_max:g} s at most")
    if part.nominal_resistance_ohm is not None:
        say(f"  nominally {part.nominal_resistance_ohm:g} ohm (a hint, no limit)")
    if not part.copper_winding:
        say("  not a plain copper winding: no correction to 20 °C")
    if part.polarity_matters:
        say("  polarity matters: look at the connector before you clip it on")
    if part.note:
        say(f"  {part.note}")


@part_app.command("check")
def part_check(files: FilesArgument, as_json: JsonOption = False) -> None:
    """Check part files; every fault of every file is told with its line."""
    from benchrig.parts import library

    _check(files, library.check, as_json=as_json)


@pattern_app.command("list")
def pattern_list(as_json: JsonOption = False) -> None:
    """List the known patterns."""
    from benchrig.patterns import library

    rows = [("NAME", "CYCLES", "LENGTH", "ON", "TITLE")]
    listed: list[dict[str, Any]] = []
    for entry in library.entries():
        try:
            pattern = library.load(entry.path)
        except InputFileError:
            what = f"not right: see `benchrig pattern check {entry.name}`"
            rows.append((entry.name, "-", "-", "-", what))
            empty = dict.fromkeys(("title", "cycles", "duration_s", "duty"))
            listed.append({"name": entry.name, **empty, "file": str(entry.path)})
            continue
        listed.append(
            {
                "name": entry.name,
                "title": pattern.title,
                "cycles": pattern.cycles,
                "duration_s": pattern.duration_s,
                "duty": pattern.duty,
                "file": str(entry.path),
            }
        )
        rows.append(
            (
                entry.name,
                str(pattern.cycles),
                f"{pattern.duration_s:g} s",
                f"{100 * pattern.duty:.3g} %",
                pattern.title,
            )
        )
    if as_json:
        say_json({"schema": "benchrig.patterns/1", "patterns": listed})
        return
    say(columns(rows))


@pattern_app.command("show")
def pattern_show(name: NameArgument, toml: TomlOption = False, as_json: JsonOption = False) -> None:
    """Show a pattern's steps."""
    from benchrig.patterns import library

    pattern = library.load(name)
    if toml:
        from benchrig.patterns.patternwrite import pattern_to_toml

        say(pattern_to_toml(pattern).rstrip())
        return
    steps = [
        {"on": s.on, "duration_us": s.duration_us, "change_us": s.change_us} for s in pattern.steps
    ]
    if as_json:
        say_json(
            {
                "schema": "benchrig.pattern/1",
                "name": pattern.name,
                "title": pattern.title,
                "steps": steps,
                "repeats": pattern.repeats,
                "cycles": pattern.cycles,
                "duration_s": pattern.duration_s,
                "source": pattern.source,
                "wiggle": pattern.wiggle,
                "digest": pattern.digest,
            }
        )
        return
    say(f"{pattern.title}: {pattern.cycles} cycles in {pattern.duration_s:g} s")
    for number, step in enumerate(pattern.steps, 1):
        change = f", {step.change_us:+d} µs each repeat" if step.change_us else ""
        word = "on" if step.on else "off"
        say(f"  step {number}: {word} for {step.duration_us / 1000:g} ms{change}")
    say(f"  repeated {pattern.repeats} times, ending off")
    if pattern.wiggle:
        say("  the person moves connector and leads while it runs")
    if pattern.source:
        say(f"  source: {pattern.source}")


@pattern_app.command("check")
def pattern_check(files: FilesArgument, as_json: JsonOption = False) -> None:
    """Check pattern files; every fault of every file is told with its line."""
    from benchrig.patterns import library

    _check(files, library.check, as_json=as_json)


def _check(files: list[str], check: Any, *, as_json: bool) -> None:
    findings = []
    for file in files:
        error = check(file)
        if error is not None:
            findings += error.findings
    if findings:
        raise InputFileError(findings)
    if as_json:
        say_json({"schema": "benchrig.check/1", "files": files, "findings": []})
    else:
        say(f"{len(files)} file{'s' if len(files) != 1 else ''} without a fault")
