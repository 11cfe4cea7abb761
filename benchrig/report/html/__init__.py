"""Self-contained pages: no network, no script, the same bytes from the same record."""

from benchrig.report.charts import CycleTrace, RunTrace, Samples, cycles_to_show
from benchrig.report.html.labels import label_page, label_svg
from benchrig.report.html.order import order_page
from benchrig.report.html.part import part_page
from benchrig.report.html.sheets import (
    TrayRow,
    TraySheet,
    TypedLine,
    control_page,
    history_page,
    set_page,
    tray_page,
)

__all__ = [
    "CycleTrace",
    "RunTrace",
    "Samples",
    "TrayRow",
    "TraySheet",
    "TypedLine",
    "control_page",
    "cycles_to_show",
    "history_page",
    "label_page",
    "label_svg",
    "order_page",
    "part_page",
    "set_page",
    "tray_page",
]
