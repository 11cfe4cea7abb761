"""Every page in a real browser: silent console, no sideways scroll, contrast, one printed page."""

from __future__ import annotations

import subprocess
from pathlib import Path

import numpy as np
import pytest

from benchrig.report.charts import WIDE, RunTrace, Samples, run_chart
from benchrig.report.html import label_svg
from tests.report import sample_records as samples
from tests.report.browser import (
    Measured,
    hex_colour,
    measure,
    pdf_pages,
    photograph,
    print_pdf,
)
from tests.report.sample_pages import other_pages, part_pages
from tests.report.test_pages import contrast

PHONE = 390
A4 = (595.3, 841.9)
LETTER = (612.0, 792.0)
PAGES = {**part_pages(), **other_pages()}


WIDE_TOO = ("failing", "tray", "history", "hostile")


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Measured]:
    """All pages on a phone, some on a tablet and a laptop, in one go."""
    pages = {f"{name}-{PHONE}": (page, PHONE) for name, page in PAGES.items()}
    for width in (820, 1280):
        pages |= {f"{name}-{width}": (PAGES[name], width) for name in WIDE_TOO}
    return measure(pages, tmp_path_factory.mktemp("measured"))


@pytest.mark.parametrize("name", PAGES)
def test_a_page_fits_a_phone_is_silent_and_legible(
    name: str, measured: dict[str, Measured]
) -> None:
    seen = measured[f"{name}-{PHONE}"]
    assert seen.console == []
    assert seen.inner == PHONE
    assert seen.scroll <= PHONE
    assert len(seen.texts) >= 5
    for words, colour, ground, _ in seen.texts:
        ratio = contrast(hex_colour(colour), hex_colour(ground))
        assert ratio >= 4.5, f"{words!r}: {colour} on {ground} is {ratio:.2f}"


@pytest.mark.parametrize("name", WIDE_TOO)
@pytest.mark.parametrize("width", [820, 1280])
def test_a_page_fits_a_tablet_and_a_laptop(
    name: str, width: int, measured: dict[str, Measured]
) -> None:
    seen = measured[f"{name}-{width}"]
    assert seen.inner == width
    assert seen.scroll <= width
    assert min(size for _, _, _, size in seen.texts) >= 11.5


def test_the_ruler_itself_sees_what_is_wrong(tmp_path: Path) -> None:
    page = (
        "<!doctype html><html><body><p style='width:500px;color:#888'>grey</p>"
        "<script>console.error('broken')</script></body></html>"
    )
    seen = measure({"wrong": (page, PHONE)}, tmp_path)["wrong"]
    assert seen.scroll > PHONE
    assert any("broken" in line for line in seen.console)
    _, colour, ground, _ = seen.texts[0]
    assert contrast(hex_colour(colour), hex_colour(ground)) < 4.5


@pytest.mark.parametrize(("paper", "size"), [("a4", A4), ("letter", LETTER)])
@pytest.mark.parametrize("name", part_pages())
def test_a_part_prints_on_one_page(
    name: str, paper: str, size: tuple[float, float], tmp_path: Path
) -> None:
    pages = pdf_pages(print_pdf(part_pages(paper)[name], tmp_path))
    assert len(pages) == 1
    assert pages[0] == pytest.approx(size, abs=1.0)


def test_a_crowded_part_keeps_its_page_and_puts_the_rest_behind(tmp_path: Path) -> None:
    pdf = print_pdf(PAGES["crowded"], tmp_path)
    assert _pages_with(pdf, "Take care") == [1]
    assert _pages_with(pdf, "digest") == [1]
    assert _pages_with(pdf, "NOT ASSESSED")[0] == 1
    assert _pages_with(pdf, "Before and after") == [3]  # after the sheet of drop-outs
    assert len(pdf_pages(pdf)) <= 5


def _pages_with(pdf: Path, words: str) -> list[int]:
    text = subprocess.run(
        ["pdftotext", "-layout", str(pdf), "-"], capture_output=True, check=True, text=True
    ).stdout
    return [n for n, page in enumerate(text.split("\f"), 1) if words in page]


def test_a_one_sample_drop_out_is_on_the_screen(tmp_path: Path) -> None:
    """A photograph at one pixel of the picture a pixel of the screen: dark down to the axis."""
    image = pytest.importorskip("PIL.Image")

    def darkest(values: np.ndarray[tuple[int], np.dtype[np.float64]]) -> int:
        trace = RunTrace(time_s=np.arange(values.size) / 10_000.0, current_a=values)
        svg = run_chart(samples.healthy(), Samples(run=trace))
        page = f"<!doctype html><body style='margin:0'><div style='width:{WIDE:g}px'>{svg}</div>"
        with image.open(photograph(page, tmp_path, int(WIDE), 200)) as picture:
            grey = np.asarray(picture.convert("L"), dtype=int)
        # Between the trace at 0.9 A and the axis, away from ticks: rows of the lower half.
        return int(grey[60:80, 400:800].min(axis=1).max())

    whole = np.full(3_000_000, 0.9)
    assert darkest(whole) > 180  # only the pale grid there
    broken = whole.copy()
    broken[1_900_000] = 0.0
    assert darkest(broken) < 180


@pytest.mark.parametrize("make", [samples.healthy, samples.failing, samples.hostile])
def test_the_label_is_read_by_another_library(make: object, tmp_path: Path) -> None:
    """segno writes the code, zxing-cpp (an independent decoder) reads it from a photograph."""
    zxing = pytest.importorskip("zxingcpp")
    image = pytest.importorskip("PIL.Image")
    record = make()  # type: ignore[operator]
    page = f"<!doctype html><body style='margin:8px'>{label_svg(record)}"
    with image.open(photograph(page, tmp_path, 300, 160)) as picture:
        found = zxing.read_barcodes(picture.convert("L"))
    assert [code.text for code in found] == [record.record_id]
