"""``benchrig analyse``: a current waveform from any instrument."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from benchrig.cli.output import say_json


def register(app: typer.Typer) -> None:
    """Add the command to the tree."""
    app.command("analyse")(analyse)


def analyse(
    wave: Annotated[Path, typer.Argument(help="CSV with a header: time_s,current_a[,voltage_v].")],
    start_s: Annotated[
        float | None, typer.Option("--start-s", help="When the part was switched on; default 0.")
    ] = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="JSON is what this prints in any case.")
    ] = False,
) -> None:
    """Find rise, armature motion, turn-off and ripple in a waveform; prints JSON."""
    from benchrig.measure.wave import analyse_wave, read_wave_csv

    say_json(analyse_wave(read_wave_csv(wave), start_s).to_json())
