"""A real headless Chromium for the page tests: measure a page, print it, photograph it."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
from dataclasses import dataclass
from html import escape, unescape
from pathlib import Path
from typing import Any

import pytest

_FLAGS = (
    *("--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"),
    *("--disable-background-networking", "--disable-component-update", "--disable-sync"),
    *("--hide-scrollbars", "--enable-logging=stderr"),
)
# Runs in the test's own copy of a page: how wide it is, and every text with its colours.
_RULER = """
<script>
addEventListener("load", () => {
  const texts = [];
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) {
    const element = walker.currentNode.parentElement;
    const words = walker.currentNode.data.trim();
    if (!words || ["SCRIPT", "STYLE", "title"].includes(element.tagName)) continue;
    const inPicture = element.closest("svg") !== null;
    const style = getComputedStyle(element);
    let ground = element;
    let colour = "rgba(0, 0, 0, 0)";
    while (ground && /, 0\\)$/.test(colour)) {
      colour = getComputedStyle(ground).backgroundColor;
      ground = ground.parentElement;
    }
    if (/, 0\\)$/.test(colour)) colour = "rgb(255, 255, 255)";
    texts.push([words.slice(0, 60), inPicture ? style.fill : style.color, colour,
      parseFloat(style.fontSize)]);
  }
  parent.postMessage({name: window.name, inner: innerWidth,
    scroll: document.documentElement.scrollWidth, texts}, "*");
});
</script>
"""
# One frame a page, each as wide as the window it stands for; the answers end up in the DOM.
_FRAMES = """<!doctype html><meta charset="utf-8"><link rel="icon" href="data:,"><body>
<pre id="measured"></pre><script>
const all = {};
addEventListener("message", (event) => {
  all[event.data.name] = event.data;
  document.getElementById("measured").textContent = JSON.stringify(all);
});
</script>
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """What the browser found."""

    inner: int
    scroll: int
    texts: list[tuple[str, str, str, float]]
    console: list[str]


def chromium() -> str:
    """Where Chromium is; the test is skipped, or fails where servers are required."""
    found = shutil.which("chromium") or shutil.which("chromium-browser")
    if found is None:
        line = "needs Chromium: apt-get install --no-install-recommends chromium"
        if os.environ.get("BENCHRIG_REQUIRE_SERVERS"):
            pytest.fail(line)
        pytest.skip(line)
    return found


def _run(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    profile = folder / "profile"
    command = [chromium(), *_FLAGS, f"--user-data-dir={profile}", *arguments]
    try:
        return subprocess.run(
            command, capture_output=True, text=True, encoding="utf-8", timeout=90, check=True
        )
    finally:
        shutil.rmtree(profile, ignore_errors=True)


def measure(pages: dict[str, tuple[str, int]], folder: Path) -> dict[str, Measured]:
    """Open each page in a window of its width: its size and texts. Console words are errors."""
    frames = [
        f'<iframe name="{name}" width="{width}" height="900" style="border:0" '
        f'srcdoc="{escape(page.replace("</body>", _RULER + "</body>"))}"></iframe>'
        for name, (page, width) in pages.items()
    ]
    file = folder / "measured.html"
    file.write_text(_FRAMES + "\n".join(frames), encoding="utf-8")
    done = _run(folder, "--window-size=1600,900", "--dump-dom", file.as_uri())
    found = re.search(r'<pre id="measured">(.*?)</pre>', done.stdout, re.S)
    assert found, done.stdout[:2000] + done.stderr[-2000:]
    data: dict[str, dict[str, Any]] = json.loads(unescape(found.group(1)))
    assert set(data) == set(pages)
    console = [line for line in done.stderr.splitlines() if ":CONSOLE" in line]
    return {
        name: Measured(
            inner=seen["inner"], scroll=seen["scroll"], texts=seen["texts"], console=console
        )
        for name, seen in data.items()
    }


def print_pdf(page: str, folder: Path) -> Path:
    """Print a page as Chromium prints it, the page's own paper size respected."""
    source, target = folder / "printed.html", folder / "printed.pdf"
    source.write_text(page, encoding="utf-8")
    _run(folder, "--no-pdf-header-footer", f"--print-to-pdf={target}", source.as_uri())
    return target


def photograph(page: str, folder: Path, width: int, height: int) -> Path:
    """A PNG of a page."""
    source, target = folder / "seen.html", folder / "seen.png"
    source.write_text(page, encoding="utf-8")
    _run(folder, f"--window-size={width},{height}", f"--screenshot={target}", source.as_uri())
    return target


def pdf_pages(pdf: Path) -> list[tuple[float, float]]:
    """Width and height in points of each page of a PDF."""
    done = subprocess.run(
        ["pdfinfo", "-f", "1", "-l", "99", str(pdf)], capture_output=True, check=True, text=True
    )
    sizes = re.findall(r"size: +([0-9.]+) x ([0-9.]+)", done.stdout)
    return [(float(width), float(height)) for width, height in sizes]


def hex_colour(css: str) -> str:
    """``rgb(1, 2, 3)`` as ``#010203``."""
    parts = [int(float(n)) for n in re.findall(r"[\d.]+", css)[:3]]
    return "#" + "".join(f"{part:02x}" for part in parts)
