"""``benchrig-sim SCENARIO``: the simulated rig behind a real port, paced by the wall clock.

The first line on stdout is the port to give to ``benchrig --rig``. One host at a time.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import os
import signal
import sys
import tty
from math import inf
from pathlib import Path
from typing import TextIO

from benchrig.errors import BenchrigError
from benchrig_sim.about import about
from benchrig_sim.rig import SimRig
from benchrig_sim.scenario import open_scenario, packaged

GATHER_S = 0.01  # what the rig says by itself is sent this often; answers go at once

LEAVE_S = 0.2


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="benchrig-sim",
        description="A simulated rig with an invented bench, behind a real port.",
        epilog="SCENARIO is a packaged name (--list) or the path of a .toml file; "
        "NAME?seed=3&fault=welded-output@cycle2 changes it.",
    )
    parser.add_argument("scenario", nargs="?", help="what is clipped to the rig and what fails")
    where = parser.add_mutually_exclusive_group()
    where.add_argument("--pty", action="store_true", help="a pseudo-terminal (the default)")
    where.add_argument("--tcp", type=int, metavar="PORT", help="TCP on localhost; 0 picks a port")
    parser.add_argument("--seed", type=int, help="draw noise and tolerances from this seed")
    parser.add_argument(
        "--watch",
        metavar="FILE",
        type=Path,
        help="write each change of the true contacts to FILE, a line of JSON each",
    )
    parser.add_argument("--list", action="store_true", help="list the packaged scenarios")
    parser.add_argument("--about", action="store_true", help="say what is not modelled")
    return parser


class PacedRig:
    """A rig on the running loop's time, with whoever is connected to it."""

    def __init__(self, rig: SimRig, witness: TextIO | None = None) -> None:
        self.rig = rig
        self._witness = witness
        self._witnessed = 0
        self._heard_s: float | None = None
        self._loop = asyncio.get_running_loop()
        self._offset_s = rig.now_s - self._loop.time()
        self._timer: asyncio.TimerHandle | None = None
        self.send = _nowhere
        self.cut = _nothing
        self._sent_s = -inf
        self.pump()

    def receive(self, data: bytes) -> None:
        """Bytes from the host."""
        first = self._heard_s is None
        self._heard_s = self._now()
        self.rig.on_bytes(data, self._heard_s)
        if first:
            self._say_truth(self._heard_s)
        self.pump()

    def _say_truth(self, t: float) -> None:
        """A line of what the contacts truly are; times are the machine's monotonic clock."""
        if self._witness is None:
            return
        plant = self.rig.plant
        edge = plant.edge_log[-1] if plant.edge_log else None
        self._write_truth(t, 0 if edge is None else edge.outputs_mask, plant.feed_closed)

    def _write_truth(self, t: float, mask: int, feed: bool) -> None:
        assert self._witness is not None
        live = feed and any(mask >> output & 1 for output in self.rig.plant.branches)
        line = {
            "at_s": t - self._offset_s,
            "outputs": mask,
            "feed": feed,
            "energised": live and self.rig.plant.supply_on,
            "heard_s": None if self._heard_s is None else self._heard_s - self._offset_s,
        }
        self._witness.write(json.dumps(line) + "\n")
        self._witness.flush()

    def _witness_edges(self) -> None:
        if self._witness is None:
            return
        edges = self.rig.plant.edge_log
        for edge in edges[self._witnessed :]:
            self._write_truth(edge.t, edge.outputs_mask, edge.feed_closed)
        self._witnessed = len(edges)

    def pump(self) -> None:
        """Send what is due and plan the next look."""
        if self._timer is not None:
            self._timer.cancel()
        now = self._now()
        data = self.rig.advance(now)
        self._witness_edges()
        self._sent_s = now
        if self.rig.unplugged:
            self.cut()
        elif data:
            self.send(data)
        busy = self.rig.sampler is not None or self.rig.firmware.feed_closed
        due = max(self.rig.next_event_s(), now + GATHER_S)
        when = min(due, now + GATHER_S if busy else inf)
        if when < inf:
            self._timer = self._loop.call_at(when - self._offset_s, self.pump)

    def _now(self) -> float:
        return self._loop.time() + self._offset_s


def _nowhere(data: bytes) -> None:
    del data


def _nothing() -> None:
    pass


def _say_port(port: str) -> None:
    print(port, flush=True)


def _serve_pty(paced: PacedRig) -> None:
    """A raw pseudo-terminal; a host that leaves is noticed by its silence, as on a real port."""
    master, slave = os.openpty()
    tty.setraw(master)
    tty.setraw(slave)
    os.set_blocking(master, False)
    loop = asyncio.get_running_loop()

    def readable() -> None:
        with contextlib.suppress(BlockingIOError):
            paced.receive(os.read(master, 65_536))

    def send(data: bytes) -> None:
        # A full terminal loses what does not fit, like a port whose host does not read.
        with contextlib.suppress(BlockingIOError):
            os.write(master, data)

    def cut() -> None:
        loop.remove_reader(master)
        paced.send, paced.cut = _nowhere, _nothing
        for end in (slave, master):
            with contextlib.suppress(OSError):
                os.close(end)

    loop.add_reader(master, readable)
    paced.send, paced.cut = send, cut
    _say_port(os.ttyname(slave))


async def _serve_tcp(paced: PacedRig, port: int) -> None:
    busy = False

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        nonlocal busy
        if busy:  # the host before may be just leaving
            await asyncio.sleep(LEAVE_S)
        if busy or paced.rig.unplugged:
            writer.close()
            return
        busy = True
        paced.send, paced.cut = writer.write, writer.close
        try:
            while data := await reader.read(65_536):
                paced.receive(data)
        except ConnectionError:
            pass
        finally:
            paced.send, paced.cut, busy = _nowhere, _nothing, False
            writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", port)
    _say_port(f"socket://127.0.0.1:{server.sockets[0].getsockname()[1]}")


async def _serve(scenario: str, port: int | None, witness: TextIO | None) -> None:
    paced = PacedRig(SimRig(open_scenario(scenario).rig), witness)
    if port is None:
        _serve_pty(paced)
    else:
        await _serve_tcp(paced, port)
    stop = asyncio.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        asyncio.get_running_loop().add_signal_handler(number, stop.set)
    await stop.wait()


def main(arguments: list[str] | None = None) -> int:
    """Run it; the exit code."""
    parser = _parser()
    options = parser.parse_args(arguments)
    if options.about:
        print(about())
        return 0
    if options.list:
        for name in packaged():
            print(f"{name:24} {open_scenario(name).title}")
        return 0
    if not options.scenario:
        parser.error("a scenario is needed; --list shows the packaged ones")
    scenario = options.scenario
    if options.seed is not None:
        scenario += f"{'&' if '?' in scenario else '?'}seed={options.seed}"
    try:
        with contextlib.ExitStack() as stack:
            witness = None
            if options.watch is not None:
                witness = stack.enter_context(options.watch.open("w", encoding="utf-8"))
            asyncio.run(_serve(scenario, options.tcp, witness))
    except BenchrigError as error:
        print(f"benchrig-sim: {error}", file=sys.stderr)
        return int(error.exit_code)
    except OSError as error:
        print(f"benchrig-sim: {error}", file=sys.stderr)
        return 3
    return 0
