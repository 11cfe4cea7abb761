"""Every page the program can make, from the invented records."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

from benchrig.record.values import RunRecord
from benchrig.report.html import (
    control_page,
    history_page,
    label_page,
    part_page,
    set_page,
    tray_page,
)
from tests.report import sample_records as samples


def crowded() -> RunRecord:
    """More of everything than a page can comfortably hold."""
    base = samples.failing()
    return replace(
        base,
        characteristics=(base.characteristics * 3)[:14],
        drop_outs=base.drop_outs * 5,
        warnings=tuple(f"{warning}, number {n}" for n in range(4) for warning in base.warnings),
    )


@cache
def part_pages(paper: str = "") -> dict[str, str]:
    """The part page of each kind of record; all of them print on one page."""
    records = {
        "healthy": samples.healthy(),
        "failing": samples.failing(),
        "not_proven": samples.not_proven(),
        "hostile": samples.hostile(),
        "pump": samples.pump(),
        "stuck": samples.stuck(),
    }
    pages = {
        name: part_page(record, samples=samples.logged(record), digest=samples.DIGEST, paper=paper)
        for name, record in records.items()
    }
    compared = samples.inconclusive()
    pages["inconclusive"] = part_page(
        compared,
        digest=samples.DIGEST,
        before=samples.healthy(),
        entries=samples.typed(),
        paper=paper,
    )
    return pages


@cache
def other_pages() -> dict[str, str]:
    full = crowded()
    return {
        "crowded": part_page(
            full,
            samples=samples.logged(full),
            digest=samples.DIGEST,
            before=samples.healthy(),
            full=True,
            budget=True,
        ),
        "tray": tray_page(samples.tray()),
        "sets": set_page(
            samples.matching(), units=("ohm", "s"), simulated=False, order="WO-1187", invented=True
        ),
        "history": history_page("T-0412", [samples.failing(), samples.healthy()]),
        "control": control_page(samples.golden(), samples.golden_days(), simulated=False),
        "labels": label_page([samples.healthy(), samples.failing(), samples.hostile()]),
    }
