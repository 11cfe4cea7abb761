"""The committed image is what the committed sources make."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from benchrig.firmware import build


def test_the_image_is_what_these_sources_make(capsys: pytest.CaptureFixture[str]) -> None:
    note = build.other_tools()
    if note:
        with capsys.disabled():
            print(f"\n{note}")  # noqa: T201 - a weaker check must be seen
    assert build.differences() == []


def test_it_fits_with_room_to_spare() -> None:
    kept = build.committed()
    assert kept.flash_bytes <= build.FLASH_BYTES_MOST
    assert kept.ram_bytes <= build.RAM_BYTES_MOST


def test_the_readme_says_the_sizes_of_this_image() -> None:
    kept, text = build.committed(), (build.HERE / "README.md").read_text(encoding="utf-8")
    for what, size, most in (
        ("flash", kept.flash_bytes, 32_768),
        ("static memory", kept.ram_bytes, 2_048),
    ):
        row = f"| {what} | {size:,} B of {most:,} |".replace(",", " ")
        assert row in text, f"benchrig/firmware/README.md: {row}"


@pytest.fixture
def copied(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    shutil.copytree(build.HERE, tmp_path / "firmware")
    monkeypatch.setattr(build, "HERE", tmp_path / "firmware")
    monkeypatch.setattr(build, "BUILT", tmp_path / "firmware" / "built")
    return tmp_path / "firmware"


def test_a_changed_source_is_noticed(copied: Path) -> None:
    limits = copied / "core" / "declared.h"
    limits.write_text(
        limits.read_text().replace("TRIP_CURRENT_MA 9000UL", "TRIP_CURRENT_MA 9900UL")
    )
    found = build.differences()
    assert "sources or flags changed since the image was built: run build.py" in found


def test_a_changed_image_is_noticed(copied: Path) -> None:
    image = copied / "built" / "benchrig.hex"
    text = image.read_text()
    image.write_text(text.replace(text[40:44], "FFFF", 1))
    assert "benchrig.hex is not the image of the manifest" in build.differences()


def test_another_compiler_is_told_and_the_sources_still_compared(copied: Path) -> None:
    manifest = copied / "built" / "manifest.json"
    values = json.loads(manifest.read_text())
    manifest.write_text(json.dumps({**values, "compiler": "avr-gcc 99.1"}))
    note = build.other_tools()
    assert note is not None
    assert note.startswith("built with avr-gcc 99.1")
    assert "only the hash of the sources" in note
    assert build.differences() == []


def test_a_missing_compiler_is_an_error_not_a_pass(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(shutil, "which", lambda _name: None)
    with pytest.raises(build.ToolMissing, match="gcc-avr"):
        build.differences()
