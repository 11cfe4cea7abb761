"""The far end of pseudo-terminals, in a process of its own: a rig that only streams.

``python -m tests.bench._feeder MODE CODES FD...``; MODE is ``full`` (answers as a rig does and
then sends as fast as it is read), ``raw`` (sends at the first byte it gets) or ``paced`` (as
``full``, each block when its last code would be ready).
"""

from __future__ import annotations

import os
import select
import sys
import time

import numpy as np

from benchrig.wire.messages import Message, Samples, Streaming
from benchrig.wire.packing import codes_per_block
from benchrig_sim.stream import pack_rows
from tests.rig.scripted_rig import TICK_NS, ScriptedRig

INPUTS = 4
SCAN_US = 100
BITS = 10
NOISE_CODES = 0.45  # the simulated rig's
SCANS = codes_per_block(BITS, INPUTS) // INPUTS
BLOCK_S = SCANS * SCAN_US * 1e-6


class Rig:
    """Answers over one descriptor; streams once it was asked to."""

    def __init__(self, descriptor: int, codes: int) -> None:
        self.fd = descriptor
        self.scripted = ScriptedRig()
        self.streaming = False
        rng = np.random.default_rng(descriptor)
        blocks = -(-codes // (SCANS * INPUTS))
        level = np.array([700, 620, 400, 120])
        noise = rng.normal(0.0, NOISE_CODES, (blocks * SCANS, INPUTS))
        values = np.rint(level + noise).astype(np.uint16).reshape(blocks, -1)
        ticks = SCANS * SCAN_US * 1000 // TICK_NS
        self.frames = [
            self.scripted.session.unasked(
                Samples(
                    stream=1,
                    block=n & 0xFFFF,
                    tick=(n * ticks) & 0xFFFF_FFFF,
                    count=SCANS * INPUTS,
                    packed=packed.tobytes(),
                )
            )
            for n, packed in enumerate(pack_rows(values, BITS))
        ]

    def hear(self) -> bytes:
        """What is to be answered to what has come."""
        data = os.read(self.fd, 4096)
        return self.scripted.session.receive(data, self._carry_out)

    def _carry_out(self, request: Message) -> Message:
        answer = self.scripted._carry_out(request)
        self.streaming = self.streaming or isinstance(answer, Streaming)
        return answer


def _write(fd: int, data: bytes) -> None:
    while data:
        try:
            data = data[os.write(fd, data) :]
        except BlockingIOError:
            select.select([], [fd], [], 1.0)


def full(rig: Rig, *, answers: bool) -> None:
    """As fast as it is read."""
    while not rig.streaming:
        select.select([rig.fd], [], [])
        if answers:
            _write(rig.fd, rig.hear())
        else:
            os.read(rig.fd, 1)
            rig.streaming = True
    size = 8
    for start in range(0, len(rig.frames), size):
        _write(rig.fd, b"".join(rig.frames[start : start + size]))
        heard = select.select([rig.fd], [], [], 0)[0]  # looked for, whoever reads
        if answers and heard:
            _write(rig.fd, rig.hear())


def paced(rigs: list[Rig]) -> None:
    """Each rig's blocks at the pace of its converter, out of step with the others'."""
    begun: dict[int, float] = {}
    said = dict.fromkeys((r.fd for r in rigs), 0)
    while any(said[r.fd] < len(r.frames) for r in rigs):
        now = time.monotonic()
        for rig in rigs:
            if rig.streaming:
                begun.setdefault(rig.fd, now)
                due = int((now - begun[rig.fd]) / BLOCK_S)
                _write(rig.fd, b"".join(rig.frames[said[rig.fd] : due]))
                said[rig.fd] = max(said[rig.fd], min(due, len(rig.frames)))
        for fd in select.select([r.fd for r in rigs], [], [], BLOCK_S / 4)[0]:
            rig = next(r for r in rigs if r.fd == fd)
            _write(fd, rig.hear())


def main() -> None:
    """Feed until told to end."""
    mode, codes, *descriptors = sys.argv[1:]
    rigs = [Rig(int(fd), int(codes)) for fd in descriptors]
    for rig in rigs:
        os.set_blocking(rig.fd, False)
    sys.stdout.write("ready\n")
    sys.stdout.flush()
    if mode == "paced":
        paced(rigs)
    else:
        full(rigs[0], answers=mode == "full")
    while True:  # answer until the host has gone and the parent ends us
        ready = select.select([r.fd for r in rigs], [], [], 5.0)[0]
        for rig in rigs:
            if rig.fd in ready:
                try:
                    _write(rig.fd, rig.hear())
                except OSError:
                    return


if __name__ == "__main__":
    main()
