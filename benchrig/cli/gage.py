"""``benchrig rig gage``: how much of what differs is the parts, and how much rig and people."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from benchrig.cli.output import columns, say, say_json
from benchrig.cli.runs import JsonOption
from benchrig.errors import UsageError

if TYPE_CHECKING:
    from benchrig.judge.gage import GageStudy


def register(rig_app: typer.Typer) -> None:
    """Add the command to ``benchrig rig``."""
    rig_app.command("gage")(rig_gage)


def rig_gage(
    readings: Annotated[
        Path,
        typer.Argument(
            metavar="READINGS.csv",
            help="Columns person,part,value: each person clips and measures each part anew, "
            "equally often.",
        ),
    ],
    as_json: JsonOption = False,
) -> None:
    """Study repeatability and reproducibility, by ranges and by analysis of variance."""
    from benchrig.judge.gage import anova_study, range_study
    from benchrig.judge.gagefile import read_readings

    table = read_readings(readings)
    if max(len(table), len(table[0]), len(table[0][0])) > 10:
        raise UsageError("the average and range method goes up to 10 people, parts and readings")
    studies = (range_study(table), anova_study(table))
    if as_json:
        say_json({"schema": "benchrig.gage/1", "studies": [_json(study) for study in studies]})
        return
    rows = [("STANDARD DEVIATION OF", *(study.method.upper() for study in studies))]
    for name in ("repeatability", "reproducibility", "gage", "parts", "total"):
        rows.append((name, *(f"{getattr(study, name):.4g}" for study in studies)))
    say(columns(rows))
    for study in studies:
        say(study.sentence)


def _json(study: GageStudy) -> dict[str, Any]:
    return {
        "method": study.method,
        "repeatability": study.repeatability,
        "reproducibility": study.reproducibility,
        "gage": study.gage,
        "parts": study.parts,
        "total": study.total,
        "percent_gage": study.percent_gage,
        "distinct_categories": study.distinct_categories,
    }
