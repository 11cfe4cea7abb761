"""``benchrig analyse``: a current waveform from any instrument."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from benchrig.cli.output import say_json
from benchrig.errors import Finding, InputFileError

if TYPE_CHECKING:
    from benchrig.measure.motion_held import HeldRecording
    from benchrig.measure.wave import Wave


def register(app: typer.Typer) -> None:
    """Add the command to the tree."""
    app.command("analyse")(analyse)


def analyse(
    wave: Annotated[Path, typer.Argument(help="CSV with a header: time_s,current_a[,voltage_v].")],
    start_s: Annotated[
        float | None,
        typer.Option(
            "--start-s", min=-1e9, max=1e9, help="When the part was switched on; default 0."
        ),
    ] = None,
    reference: Annotated[
        Path | None,
        typer.Option("--reference", help="The same part when it was good: does it move alike?"),
    ] = None,
    monte_carlo: Annotated[
        int | None,
        typer.Option(
            "--monte-carlo",
            min=1_000,
            metavar="RECORDS",
            help="Check the rise's uncertainty by fits to as many simulated records, say 20000.",
        ),
    ] = None,
    blocked: Annotated[
        Path | None,
        typer.Option(
            "--blocked",
            help="The same part with its armature held by a tool: what moves is told from it.",
        ),
    ] = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="JSON is what this prints in any case.")
    ] = False,
) -> None:
    """Find rise, armature motion, turn-off and ripple in a waveform; prints JSON."""
    from benchrig.measure.wave import (
        analyse_wave,
        motion_of_wave,
        read_wave_csv,
        simulated_to_json,
    )

    read = read_wave_csv(wave)
    assess = motion_of_wave
    if blocked is not None:
        assess = partial(motion_of_wave, held=_held(read_wave_csv(blocked), start_s))
    analysis = analyse_wave(read, start_s, assess_motion=assess)
    document = analysis.to_json()
    if monte_carlo is not None:
        document["rise"]["monte_carlo"] = simulated_to_json(analysis, monte_carlo)
    if reference is not None:
        document["reference"] = _compared(read, read_wave_csv(reference), start_s)
    say_json(document)


def _held(wave: Wave, start_s: float | None) -> HeldRecording:
    from benchrig.measure.wave import blocked_wave

    try:
        return blocked_wave(wave, start_s)
    except ValueError as error:
        raise InputFileError([Finding(wave.name, None, str(error))]) from error


def _compared(wave: Wave, reference: Wave, start_s: float | None) -> dict[str, Any]:
    from benchrig.measure.wave import compare_waves, comparison_to_json

    try:
        return comparison_to_json(compare_waves(wave, reference, start_s))
    except ValueError as error:
        raise InputFileError([Finding(reference.name, None, str(error))]) from error
