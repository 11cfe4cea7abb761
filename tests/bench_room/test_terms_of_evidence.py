"""Each term of the evidence just below and just above, each sign, each alone, one bad look in many.

The looks are written by hand: no rig is simulated here, so no term can hide behind another.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import chain, repeat
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from benchrig.bench import safety
from benchrig.bench.look import Reading, Window
from benchrig.bench.observer import Observer
from benchrig.bench.safety import Offsets, Shortfall
from benchrig.measure.samples import InputScale
from benchrig.wire.messages import InputFlag, InputRole
from benchrig_sim.virtual_time import VirtualTimeLoop

COARSE, FINE = InputRole.CURRENT_COARSE, InputRole.CURRENT_FINE
VOLTAGE = InputRole.PART_VOLTAGE
ZERO = 40  # the live zero's code
COUNT = 100


def reading(role: InputRole, mean: float = 0.0, **changes: Any) -> Reading:
    """A sound input that shows this; code and mean are set apart on purpose."""
    scale = InputScale(
        input=int(role),
        role=role,
        outputs_mask=1,
        flags=InputFlag(0),
        zero_code=changes.pop("zero_code", ZERO),
        bits=12,
        step=0.001,
    )
    values: dict[str, Any] = {
        "deviation": 0.0,
        "count": COUNT,
        "codes_mean": float(scale.zero_code),
        "saturated_share": 0.0,
        **changes,
    }
    codes = np.zeros(COUNT, np.int16)
    return Reading(role=role, scale=scale, mean=mean, codes=codes, **values)


def window(*readings: Reading, readback: int = 0) -> Window:
    """A look with these instead of the sound ones."""
    sound = {role: reading(role) for role in (COARSE, VOLTAGE)}
    status: Any = SimpleNamespace(outputs_readback=readback)
    return Window(readings={**sound, **{r.role: r for r in readings}}, status=status)


GOOD = window()


def look_at(looks: Sequence[Window], offsets: Offsets | None = None) -> Any:
    """What is made of these looks; the last goes on for ever."""
    coming: Iterator[Window] = chain(looks, repeat(looks[-1]))

    async def next_window(roles: tuple[InputRole, ...], duration_s: float) -> Window:
        del roles
        await asyncio.sleep(duration_s)
        return next(coming)

    observer = cast(Observer, SimpleNamespace(window=next_window, liveness=SimpleNamespace()))
    cast(Any, observer).liveness.alive = lambda: ()

    async def work() -> Any:
        return await safety._look(observer, offsets or Offsets(), 0.0, feed_opened=False)

    with asyncio.Runner(loop_factory=VirtualTimeLoop) as runner:
        return runner.run(work())


def is_off(*looks: Window, offsets: Offsets | None = None) -> bool:
    return not isinstance(look_at(looks, offsets), Shortfall)


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize(
    ("role", "limit"), [(COARSE, 0.020), (FINE, 0.020), (VOLTAGE, 0.5)], ids=str
)
def test_current_and_voltage_count_from_their_threshold_on_with_either_sign(
    role: InputRole, limit: float, sign: float
) -> None:
    assert is_off(window(reading(role, sign * 0.995 * limit)))
    found = look_at([window(reading(role, sign * limit))])
    assert isinstance(found, Shortfall)
    assert ("flows" if role is not VOLTAGE else "stands across") in found.reason


@pytest.mark.parametrize("role", [COARSE, FINE, VOLTAGE])
def test_what_stood_there_before_the_first_pulse_is_taken_off(role: InputRole) -> None:
    shown, offsets = window(reading(role, 0.7)), Offsets(by_role={role: 0.69})
    assert not is_off(shown)
    assert is_off(shown, offsets=offsets)
    assert not is_off(window(reading(role)), offsets=offsets)


def test_a_readback_that_says_on_is_enough_alone() -> None:
    assert not is_off(window(readback=1))
    assert not is_off(window(readback=0x80))


@pytest.mark.parametrize("role", [COARSE, FINE, VOLTAGE])
def test_an_input_away_from_its_live_zero_is_enough_alone(role: InputRole) -> None:
    for apart, off in ((12.0, True), (-12.0, True), (12.1, False), (-12.1, False)):
        assert is_off(window(reading(role, codes_mean=ZERO + apart))) is off, apart


@pytest.mark.parametrize("role", [COARSE, FINE, VOLTAGE])
def test_a_dead_input_near_a_low_live_zero_is_dead(role: InputRole) -> None:
    dead = look_at([window(reading(role, zero_code=5, codes_mean=1.0))])
    assert "is dead" in dead.reason
    displaced = look_at([window(reading(role, codes_mean=9.0))])
    assert "does not stand at its live zero" in displaced.reason
    assert is_off(window(reading(role, zero_code=5, codes_mean=1.1)))
    assert is_off(window(reading(role, zero_code=0, codes_mean=0.0)))  # has no live zero


def test_the_supply_may_stand_where_it_likes() -> None:
    supply = reading(InputRole.SUPPLY_VOLTAGE, 13.5, codes_mean=2000.0, deviation=9.0)
    assert is_off(window(supply))


@pytest.mark.parametrize(
    ("role", "limit"), [(COARSE, 0.020), (FINE, 0.020), (VOLTAGE, 0.5)], ids=str
)
def test_noise_moves_a_threshold_to_five_times_itself_and_no_further_than_double(
    role: InputRole, limit: float
) -> None:
    def noisy(mean: float, five_times: float) -> Window:
        return window(reading(role, mean, deviation=five_times / 5.0 * COUNT**0.5))

    assert not is_off(noisy(1.05 * limit, 0.6 * limit))
    assert is_off(noisy(1.45 * limit, 1.5 * limit))
    assert not is_off(noisy(1.55 * limit, 1.5 * limit))
    assert is_off(noisy(1.95 * limit, 30.0 * limit))
    assert not is_off(noisy(2.05 * limit, 30.0 * limit))


BAD = {
    "current": window(reading(COARSE, 0.1)),
    "voltage": window(reading(VOLTAGE, -3.0)),
    "read-back": window(readback=1),
    "live zero": window(reading(COARSE, codes_mean=ZERO + 30.0)),
    "dead": window(reading(VOLTAGE, codes_mean=0.0)),
}


@pytest.mark.parametrize("bad", BAD.values(), ids=BAD)
def test_one_bad_look_begins_the_three_anew(bad: Window) -> None:
    marked = window(reading(COARSE, 0.001))
    found = look_at([marked, marked, bad, GOOD])
    assert [r.current_a for r in found.readings] == [0.0, 0.0, 0.0]
    assert not is_off(*[GOOD, GOOD, bad] * 40)


@pytest.mark.parametrize("lacking", [COARSE, VOLTAGE])
def test_without_an_input_for_it_there_is_no_evidence(lacking: InputRole) -> None:
    readings = {role: r for role, r in GOOD.readings.items() if role is not lacking}
    found = look_at([replace(GOOD, readings=readings)])
    assert isinstance(found, Shortfall)
    assert "no current or no part-voltage input" in found.reason
