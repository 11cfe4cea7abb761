"""``python -m tests.fuzz TARGET --seconds 60``: coverage-guided, outside the usual tests.

Needs ``pip install atheris``. ``all`` takes every target in turn. ``bulk`` feeds ten million
bytes to the frame decoder, half of them damaged frames, and says what memory that took; it
needs nothing beside the program.
"""

from __future__ import annotations

import argparse
import random
import resource
import subprocess
import sys
import tempfile
import time
import tracemalloc
from pathlib import Path

RSS_LIMIT_MB = 200
BULK_BYTES = 10_000_000


def main() -> int:
    """0 when nothing crashed, hung or grew."""
    parser = argparse.ArgumentParser(prog="tests.fuzz", description=__doc__)
    parser.add_argument("target")
    parser.add_argument("--seconds", type=int, default=60)
    parser.add_argument("--here", action="store_true", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.target == "bulk":
        return bulk()
    if options.here:
        return _fuzz(options.target, options.seconds)
    from tests.fuzz.targets import TARGETS

    chosen = list(TARGETS) if options.target == "all" else [options.target]
    worst = 0
    for target in chosen:
        words = [sys.executable, "-m", "tests.fuzz", target, "--here"]
        done = subprocess.run(
            [*words, "--seconds", str(options.seconds)], stderr=subprocess.PIPE, text=True
        )
        lines = done.stderr.splitlines()
        figures = [line for line in lines if line.startswith(("Done", "stat::"))]
        print(f"{target}: exit {done.returncode}; " + "; ".join(figures), flush=True)
        if done.returncode:
            print("\n".join(lines[-40:]))
        worst = worst or done.returncode
    return worst


def _fuzz(target: str, seconds: int) -> int:
    import atheris  # only here: it is no dependency of the tests

    with atheris.instrument_imports(include=["benchrig", "benchrig_sim"]):
        from tests.fuzz.seeds import seeds
        from tests.fuzz.targets import TARGETS
    corpus = Path(tempfile.mkdtemp(prefix="benchrig-fuzz-"))
    for number, data in enumerate(seeds(target)):
        (corpus / f"seed{number}").write_bytes(data)
    atheris.Setup(
        [
            "fuzz",
            str(corpus),
            f"-max_total_time={seconds}",
            f"-rss_limit_mb={RSS_LIMIT_MB}",
            "-timeout=10",
            "-max_len=4096",
            "-print_final_stats=1",
            f"-artifact_prefix={corpus}/",
        ],
        TARGETS[target],
    )
    atheris.Fuzz()
    return 0


def bulk(count: int = BULK_BYTES, seed: int = 1) -> int:
    """Ten million bytes through the decoder, in pieces of any length."""
    from benchrig.wire.frames import FrameDecoder, encode_frame

    rng, made = random.Random(seed), FrameDecoder()
    fed = payloads = 0
    begun = time.monotonic()
    tracemalloc.start()
    while fed < count:
        if rng.random() < 0.5:
            piece = rng.randbytes(rng.randint(1, 5000))
        else:
            frame = bytearray(encode_frame(rng.randbytes(rng.randint(2, 248))))
            if rng.random() < 0.5:
                frame[rng.randrange(len(frame))] ^= 1 << rng.randrange(8)
            piece = bytes(frame)
        payloads += len(made.feed(piece))
        fed += len(piece)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    rss_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"{fed} bytes in {time.monotonic() - begun:.0f} s: {payloads} payloads, "
        f"{made.frames_bad} bad frames; {peak / 1024:.0f} KiB at most beside {rss_mb:.0f} MB"
    )
    return 0 if peak < 1_000_000 and rss_mb < RSS_LIMIT_MB else 1


if __name__ == "__main__":
    sys.exit(main())
