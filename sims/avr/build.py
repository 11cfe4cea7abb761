"""Compile the shim over libsimavr once, into a cache named by the hash of its source."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import tempfile
from pathlib import Path

SOURCE = Path(__file__).with_name("shim.c")
FLAGS = ("-O2", "-shared", "-fPIC", "-Wall", "-Wextra", "-Werror")
LIBRARIES = ("-lsimavr", "-lelf", "-lm")


class ToolMissing(RuntimeError):
    """A compiler or library that the emulator needs is not there, or does not work."""


def compiler() -> str:
    """A C compiler for this machine."""
    for name in (os.environ.get("CC"), "cc", "gcc", "clang"):
        found = shutil.which(name) if name else None
        if found:
            return found
    raise ToolMissing("no C compiler found: install gcc or clang")


def cache_folder() -> Path:
    """Where the shim is kept: the user's cache, or the temporary folder if that fails."""
    base = os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache"
    folder = Path(base) / "benchrig-avr"
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError:
        folder = Path(tempfile.gettempdir()) / f"benchrig-avr-{os.getuid()}"
        folder.mkdir(parents=True, exist_ok=True)
    return folder


def shim_library() -> Path:
    """The built shim, compiled now if this source never was."""
    digest = hashlib.sha256(SOURCE.read_bytes() + " ".join(FLAGS + LIBRARIES).encode())
    target = cache_folder() / f"shim-{digest.hexdigest()[:16]}.so"
    if target.exists():
        return target
    fresh = target.with_suffix(f".{os.getpid()}.tmp")
    command = [compiler(), *FLAGS, str(SOURCE), "-o", str(fresh), *LIBRARIES]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode != 0:
        raise ToolMissing(
            "the emulator's shim does not compile; it needs the packages libsimavr-dev "
            f"(1.6) and libelf-dev:\n{done.stderr.strip()}"
        )
    fresh.replace(target)  # at once, so that tests side by side never load half a file
    return target
