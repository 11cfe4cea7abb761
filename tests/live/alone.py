"""A program that tells a run up to its third edge and stays there; for killing it.

``python -m tests.live.alone URL CA OUTBOX RIG``; the password comes from the environment.
"""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path

from benchrig.live.broker import broker_address
from benchrig.live.publisher import Publisher
from benchrig.record.outbox import Outbox
from tests.live import told


def main(url: str, ca: str, outbox: str, rig: str) -> None:
    """Tell it, say so on stdout, and wait to be killed; not longer than a minute."""
    address = broker_address(url, user="bench-2", ca=Path(ca), environ=os.environ)
    with Publisher(address, "bench-2", outbox=Outbox(Path(outbox)), stamp=told.stamp) as sink:
        for event in told.a_run(rig=rig)[:6]:
            sink.accept(event)
        if not sink.flush(20):
            sys.exit(sink.trouble)
        sys.stdout.write("told\n")
        sys.stdout.flush()
        time.sleep(60)


if __name__ == "__main__":
    main(*sys.argv[1:5])
