"""The simulated rig as a link on virtual time, and behind a real port."""

from __future__ import annotations

import asyncio
import os
import subprocess
import sys
import threading
import time
from collections.abc import Coroutine
from typing import Any, TypeVar

import pytest

from benchrig.errors import InputFileError, LinkError, UsageError
from benchrig.rig.link import Link, open_link
from benchrig.wire.messages import Hello, Identity
from benchrig.wire.session import Answered, HostSession
from benchrig_sim.about import NOT_MODELLED
from benchrig_sim.link import SimLink, open_sim_link
from benchrig_sim.scenario import open_scenario, packaged, parse_scenario
from benchrig_sim.virtual_time import Deadlock, UnthreadedTimeLoop, VirtualTimeLoop

T = TypeVar("T")
HELLO = Hello(protocol_major=1, protocol_minor=0)


def virtually(main: Coroutine[Any, Any, T]) -> T:
    with asyncio.Runner(loop_factory=VirtualTimeLoop) as runner:
        return runner.run(main)


async def identity_over(link: Link) -> Identity:
    session = HostSession()
    link.write(b"\x00" + session.ask(HELLO))
    async with asyncio.timeout(5):
        while True:
            for item in session.receive(await link.read()):
                if isinstance(item, Answered):
                    assert isinstance(item.answer, Identity)
                    return item.answer


def test_hours_pass_at_once_and_exactly() -> None:
    async def main() -> list[float]:
        loop = asyncio.get_running_loop()
        stamps = []
        for _ in range(3):
            await asyncio.sleep(3600.0)
            stamps.append(loop.time())
        return stamps

    before = time.perf_counter()
    assert virtually(main()) == [3600.0, 7200.0, 10800.0]
    assert time.perf_counter() - before < 5.0


def test_a_deadlock_is_an_error() -> None:
    async def main() -> None:
        await asyncio.Event().wait()

    loop = VirtualTimeLoop()
    task = loop.create_task(main())
    with pytest.raises(Deadlock):
        loop.run_until_complete(task)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        loop.run_until_complete(task)
    loop.close()


def test_the_clock_waits_for_threads() -> None:
    async def main() -> tuple[float, float]:
        loop = asyncio.get_running_loop()
        assert isinstance(loop, VirtualTimeLoop)
        timer = loop.call_later(1.0, lambda: None)
        await asyncio.to_thread(time.sleep, 0.05)
        after_executor = loop.time()
        done = asyncio.Event()

        def work() -> None:
            time.sleep(0.05)
            loop.call_soon_threadsafe(done.set)

        thread = threading.Thread(target=work)
        with loop.awaiting_threads():
            thread.start()
            await done.wait()
        thread.join()
        timer.cancel()
        return after_executor, loop.time()

    assert virtually(main()) == (0.0, 0.0)


def test_without_threads_work_is_done_at_once_and_its_error_comes_to_who_awaits() -> None:
    async def main() -> tuple[int, int, float]:
        loop = asyncio.get_running_loop()
        here = await asyncio.to_thread(threading.get_ident)
        failing = loop.run_in_executor(None, int, "no number")
        await asyncio.sleep(1.0)
        with pytest.raises(ValueError, match="no number"):
            await failing
        return here, threading.get_ident(), loop.time()

    with asyncio.Runner(loop_factory=UnthreadedTimeLoop) as runner:
        worked, called, now = runner.run(main())
    assert worked == called
    assert now == 1.0


def test_link_speaks_and_closes() -> None:
    async def main() -> None:
        link = await open_link("sim:linear?seed=9")
        assert isinstance(link, SimLink)
        assert link.name == "sim:linear?seed=9"
        assert (await identity_over(link)).output_count == 9
        await link.close()
        await link.close()
        assert await link.read() == b""
        with pytest.raises(LinkError):
            link.write(b"x")

    virtually(main())


def test_unplugging_breaks_the_link_for_good_and_a_new_one_works() -> None:
    async def main() -> None:
        link = open_sim_link("linear?fault=unplug@1s,duration_s=1")
        await identity_over(link)
        await asyncio.sleep(0.5)
        with pytest.raises(LinkError):
            await link.read()
        assert link.now_s() == pytest.approx(1.0, abs=0.03)
        await asyncio.sleep(2.0)
        with pytest.raises(LinkError):
            link.write(b"\x00")
        link.rig.advance(link.now_s())
        again = SimLink(link.rig)
        assert (await identity_over(again)).boot_count == 2
        await again.close()

    virtually(main())


def test_scenarios_all_open_and_bad_ones_say_everything() -> None:
    names = packaged()
    assert len(names) >= 17
    for name in names:
        scenario = open_scenario(name)
        assert scenario.title
        assert scenario.rig.parts
        assert scenario.expect_verdict in ("PASS", "FAIL", "INCONCLUSIVE")
    with pytest.raises(UsageError, match="no scenario"):
        open_scenario("no-such-thing")
    with pytest.raises(UsageError):
        open_scenario("healthy?seed=x")
    with pytest.raises(InputFileError) as caught:
        parse_scenario(
            'faults = ["boom"]\n[bench]\nvolts = 3\n[[part]]\noutput = 0\n', "x.toml", "x"
        )
    assert len(caught.value.findings) == 3


def start_port(*arguments: str) -> tuple[subprocess.Popen[str], str]:
    process = subprocess.Popen(
        [sys.executable, "-m", "benchrig_sim", *arguments],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )
    assert process.stdout is not None
    return process, process.stdout.readline().strip()


@pytest.mark.parametrize("where", [("--pty",), ("--tcp", "0")])
def test_real_port(where: tuple[str, ...]) -> None:
    process, port = start_port("linear", *where, "--seed", "7")
    try:

        async def main() -> None:
            link = await open_link(port)
            identity = await identity_over(link)
            assert identity.unique_id & 0xFF == 7
            if port.startswith("socket:"):
                second = await open_link(port)
                with pytest.raises((LinkError, TimeoutError, AssertionError)):
                    async with asyncio.timeout(2):
                        assert await second.read() != b""
                await second.close()
            await link.close()
            again = await open_link(port)  # the next host is welcome
            await identity_over(again)
            await again.close()

        asyncio.run(main())
    finally:
        process.terminate()
        assert process.wait(10) == 0
        assert process.stdout is not None
        process.stdout.close()


def test_about_names_what_is_left_out() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "benchrig_sim", "--about"],
        capture_output=True,
        text=True,
        check=True,
    )
    for item in NOT_MODELLED:
        assert item in done.stdout
