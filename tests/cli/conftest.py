"""A shell for each test."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.cli.shell import Shell


@pytest.fixture
def shell(tmp_path: Path) -> Shell:
    """The program with a folder of its own."""
    return Shell(folder=tmp_path)
