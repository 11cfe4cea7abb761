"""Build the firmware, and tell whether the committed image is what these sources make.

``python build.py`` writes ``built/``; ``python build.py --check`` builds again in a temporary
folder and compares. The image is compared byte for byte when the compiler is the same one, and
by the hash of sources and flags in any case. Needs avr-gcc, avr-libc and avr-binutils.
"""

from __future__ import annotations

import hashlib
import json
import re
import shutil
import subprocess
import sys
import tempfile
from dataclasses import asdict, dataclass
from pathlib import Path

HERE = Path(__file__).parent
BUILT = HERE / "built"
NAME = "benchrig"
MCU = "atmega328p"
FLAGS = (
    f"-mmcu={MCU}",
    "-DF_CPU=16000000UL",
    "-std=gnu11",
    "-Os",
    "-flto",
    "-fwhole-program",
    "-mrelax",
    "-frandom-seed=benchrig",
    "-Wall",
    "-Wextra",
    "-Wstrict-prototypes",
    "-Werror",
    "-Iavr",
)
FLASH_BYTES_MOST = 12 * 1024
RAM_BYTES_MOST = 1_600


class ToolMissing(RuntimeError):
    """The AVR compiler is not there, or does not work."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Manifest:
    """What built an image, and what came out."""

    sources_sha256: str
    flags: tuple[str, ...]
    compiler: str
    libc: str
    image_sha256: str
    flash_bytes: int
    ram_bytes: int


def sources() -> list[Path]:
    """Every file that goes into the image, in a fixed order."""
    return sorted(
        p for d in ("core", "avr") for p in (HERE / d).iterdir() if p.suffix in (".c", ".h")
    )


def sources_sha256() -> str:
    """Hash of all sources with their names, and of the flags."""
    digest = hashlib.sha256("\n".join(FLAGS).encode())
    for path in sources():
        digest.update(f"\n{path.relative_to(HERE).as_posix()}\n".encode())
        digest.update(path.read_bytes())
    return digest.hexdigest()


def _run(*command: str) -> str:
    if shutil.which(command[0]) is None:
        raise ToolMissing(f"{command[0]} is missing: install gcc-avr, avr-libc and binutils-avr")
    done = subprocess.run(command, cwd=HERE, capture_output=True, text=True, check=False)
    if done.returncode:
        raise ToolMissing(f"{command[0]} failed:\n{done.stderr.strip()}")
    return done.stdout


def compiler() -> str:
    """The compiler's first line about itself."""
    return _run("avr-gcc", "--version").splitlines()[0]


def libc() -> str:
    """The version of avr-libc that this compiler finds."""
    with tempfile.TemporaryDirectory() as folder:
        probe = Path(folder) / "probe.c"
        probe.write_text("#include <avr/version.h>\nversion=__AVR_LIBC_VERSION_STRING__\n")
        text = _run("avr-gcc", f"-mmcu={MCU}", "-E", "-P", str(probe))
    found = re.search(r'version=\s*"([^"]+)"', text)
    return found[1] if found else "unknown"


def sections(elf: Path) -> dict[str, int]:
    """Sizes of the sections that take room on the chip."""
    rows = re.findall(r"^(\.\w+)\s+(\d+)", _run("avr-size", "-A", str(elf)), re.MULTILINE)
    return {name: int(size) for name, size in rows if name in (".text", ".data", ".bss", ".noinit")}


def build(folder: Path) -> Manifest:
    """Compile into this folder: ELF, HEX and manifest."""
    folder.mkdir(parents=True, exist_ok=True)
    elf, image = folder / f"{NAME}.elf", folder / f"{NAME}.hex"
    units = [str(p.relative_to(HERE)) for p in sources() if p.suffix == ".c"]
    _run("avr-gcc", *FLAGS, *units, "-o", str(elf))
    _run("avr-objcopy", "-O", "ihex", "-j", ".text", "-j", ".data", str(elf), str(image))
    sizes = sections(elf)
    manifest = Manifest(
        sources_sha256=sources_sha256(),
        flags=FLAGS,
        compiler=compiler(),
        libc=libc(),
        image_sha256=hashlib.sha256(image.read_bytes()).hexdigest(),
        flash_bytes=sizes[".text"] + sizes.get(".data", 0),
        ram_bytes=sizes.get(".data", 0) + sizes.get(".bss", 0) + sizes.get(".noinit", 0),
    )
    text = json.dumps(asdict(manifest), indent=2) + "\n"
    (folder / "manifest.json").write_text(text, encoding="utf-8")
    return manifest


def committed() -> Manifest:
    """The manifest beside the committed image."""
    values = json.loads((BUILT / "manifest.json").read_text(encoding="utf-8"))
    return Manifest(**{**values, "flags": tuple(values["flags"])})


def differences() -> list[str]:
    """What is wrong with the committed image; empty when it is what these sources make."""
    kept = committed()
    found = []
    if kept.sources_sha256 != sources_sha256():
        found.append("sources or flags changed since the image was built: run build.py")
    actual = hashlib.sha256((BUILT / f"{NAME}.hex").read_bytes()).hexdigest()
    if kept.image_sha256 != actual:
        found.append(f"{NAME}.hex is not the image of the manifest")
    with tempfile.TemporaryDirectory() as folder:
        fresh = build(Path(folder))
        same_tools = (fresh.compiler, fresh.libc) == (kept.compiler, kept.libc)
        if same_tools and not _same_sections(Path(folder)):
            found.append("the same compiler makes another image from these sources")
    return found


def other_tools() -> str | None:
    """Says so when the compiler here is not the one that built the committed image."""
    kept = committed()
    if (compiler(), libc()) == (kept.compiler, kept.libc):
        return None
    return (
        f"built with {kept.compiler} and avr-libc {kept.libc}, here are {compiler()} and "
        f"{libc()}: only the hash of the sources could be compared"
    )


def _same_sections(folder: Path) -> bool:
    def raw(elf: Path, section: str, to: Path) -> bytes:
        _run("avr-objcopy", "-O", "binary", "-j", section, str(elf), str(to))
        return to.read_bytes()

    return all(
        raw(BUILT / f"{NAME}.elf", section, folder / "kept.bin")
        == raw(folder / f"{NAME}.elf", section, folder / "fresh.bin")
        for section in (".text", ".data")
    )


def main() -> int:
    """Build, or with --check compare."""
    if "--check" in sys.argv[1:]:
        note = other_tools()
        if note:
            sys.stdout.write(note + "\n")
        found = differences()
        sys.stdout.write("\n".join(found or ["the image is what these sources make"]) + "\n")
        return 1 if found else 0
    manifest = build(BUILT)
    sys.stdout.write(f"flash {manifest.flash_bytes} B, static memory {manifest.ram_bytes} B\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
