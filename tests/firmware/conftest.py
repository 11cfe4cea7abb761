"""The reader of firmware_protocol.md is shared with the tests of wire/."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "wire"))
