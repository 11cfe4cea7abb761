"""The shop on a terminal: what is known, what is stale, and what is not believed."""

from __future__ import annotations

import json
import subprocess
import time
from datetime import UTC, datetime, timedelta
from io import StringIO
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from rich.console import Console

from benchrig.live import payloads
from benchrig.live.board import ago, board, plain_line
from benchrig.live.deduplicate import Deduplicator
from benchrig.live.follow import StateFollower
from benchrig.live.payloads import Link
from benchrig.live.publisher import Publisher
from benchrig.live.shop import RIGS_MAX, STALE_S, RigView, Shop, as_json
from benchrig.live.topics import RigTopics
from benchrig.record.outbox import Outbox
from benchrig.record.values import RunEvent, RunRecord
from tests.live import told
from tests.live.benches import command, environment, to_broker
from tests.live.server import Broker
from tests.record import made

NOW = datetime(2026, 1, 2, 3, 4, 5, tzinfo=UTC)
RUN = told.a_run()
CYCLING = RUN[:9]


class Told:
    """Feeds a shop as rigs would."""

    def __init__(self) -> None:
        self.shop = Shop()

    def rig(
        self,
        bench: str,
        number: int,
        events: list[RunEvent],
        *,
        age_s: float = 0.0,
        link: Link = Link.HERE,
        records: tuple[RunRecord, ...] = (),
        retained: bool = True,
    ) -> RigView:
        topics = RigTopics(bench=bench, rig=f"{number:016x}")
        at = (NOW - timedelta(seconds=age_s)).isoformat(timespec="milliseconds")
        follower = StateFollower()
        for event in events:
            follower.take(event, at)
        self.take(topics.of("link"), payloads.link(topics, link, at), retained)
        self.take(topics.of("state"), payloads.state(topics, follower.now, at), retained)
        for n, record in enumerate(records, 1):
            verdict = payloads.verdict(topics, record) | {"outbox": "0" * 32, "number": n}
            self.take(topics.of("verdict"), verdict, retained)
        return next(r for r in self.shop.rigs if r.rig == topics.rig and r.bench == bench)

    def take(self, topic: str, payload: dict[str, Any], retained: bool = True) -> None:
        self.shop.take(topic, payloads.encode(payload), retained=retained, now=NOW)

    def drawn(
        self, width: int, height: int = 40, *, unicode: bool = True, trouble: str = ""
    ) -> str:
        out = StringIO()
        console = Console(file=out, width=width, height=height, color_system=None)
        console.print(
            board(
                self.shop,
                NOW,
                title="mqtts://shop.example:8883",
                trouble=trouble,
                width=width,
                height=height,
                unicode=unicode,
            )
        )
        return out.getvalue()


@pytest.fixture
def six() -> Told:
    shop = Told()
    shop.rig("bench-1", 1, CYCLING, records=tuple(told.record(n) for n in (1, 2, 3)))
    shop.rig("bench-2", 2, RUN)
    shop.rig("bench-2", 3, CYCLING, age_s=200, link=Link.GONE)
    shop.rig("bench-north-window-side", 4, [*CYCLING, told.not_safe()])
    shop.rig(
        "bench-5",
        5,
        RUN,
        age_s=4000,
        link=Link.LEFT,
        records=(made.record(made_safe=made.NOT_PROVEN),),
    )
    shop.rig("bench-6", 6, CYCLING, age_s=40)
    return shop


def standings(shop: Told) -> list[str]:
    return [rig.standing(NOW) for rig in shop.shop.rigs]


def test_each_rig_stands_in_one_word(six: Told) -> None:
    assert standings(six) == ["ENERGISED", "OFF", "STALE", "AWAY", "STALE", "UNKNOWN"]


def test_silence_is_stale_to_the_second() -> None:
    shop = Told()
    rig = shop.rig("bench-1", 1, RUN)
    for silent_s, word in ((0, "OFF"), (STALE_S - 1, "OFF"), (STALE_S + 1, "STALE")):
        assert rig.standing(NOW + timedelta(seconds=silent_s)) == word
    never = RigView(bench="bench-1", rig="0" * 16)
    assert never.standing(NOW) == "STALE"


def test_an_old_retained_state_is_not_news() -> None:
    shop = Told()
    assert shop.rig("bench-1", 1, RUN, age_s=60, retained=True).standing(NOW) == "STALE"
    assert shop.rig("bench-1", 2, RUN, age_s=60, retained=False).standing(NOW) == "OFF"
    # A clock that runs ahead makes no message from the future.
    ahead = shop.rig("bench-1", 3, RUN, age_s=-3600)
    assert ahead.standing(NOW + timedelta(seconds=STALE_S + 1)) == "STALE"


def test_who_left_while_not_off_is_not_away() -> None:
    shop = Told()
    assert shop.rig("bench-1", 1, CYCLING, link=Link.LEFT).standing(NOW) == "ENERGISED"
    assert shop.rig("bench-1", 2, [*RUN, told.not_safe()], link=Link.LEFT).standing(NOW) == (
        "UNKNOWN"
    )


def test_off_without_evidence_is_not_believed() -> None:
    shop = Told()
    topics = RigTopics(bench="bench-1", rig="0" * 16)
    forged = payloads.state(topics, StateFollower().now, told.STAMP)
    for evidence in (None, {}, {"residual_current_a": "none"}, "yes"):
        shop.take(topics.of("state"), forged | {"state": "OFF", "evidence": evidence}, False)
        assert shop.shop.rigs[0].standing(NOW) == "UNKNOWN"


@pytest.mark.parametrize("width", [80, 120])
@pytest.mark.parametrize("unicode", [True, False])
def test_the_board_fits_and_says_all_that_matters(six: Told, width: int, unicode: bool) -> None:
    drawn = six.drawn(width, unicode=unicode)
    lines = drawn.splitlines()
    assert max(map(len, lines)) <= width
    assert drawn.isascii() is not unicode
    assert "6 rigs  1 ENERGISED  1 UNKNOWN  2 STALE" in lines[0]
    flat = " ".join(drawn.split())
    for words in (
        "was ENERGISED, heard 3 min ago",
        "was ENERGISED, heard 40 s ago",
        "cycle 1 of 3",
        "PASS T-3",
        "PASS T-2",
        "PASS T-1",
        "INCONCLUSIVE T-1 NOT PROVEN SAFE",
        "1. the supply",
        "2. the rig",
        "/0004",
        "OFF, measured",
    ):
        assert words in flat, words
    if width == 80:
        assert "NOT PROVEN SAFE" in flat


def test_on_a_low_screen_the_calm_rigs_go_first() -> None:
    shop = Told()
    for number in range(30):
        shop.rig("bench-1", number, RUN)
    shop.rig("bench-9", 99, CYCLING)
    shop.rig("bench-9", 98, CYCLING, age_s=100)
    drawn = shop.drawn(80, 14)
    assert len(drawn.splitlines()) <= 14
    assert "bench-9/0063" in drawn
    assert "bench-9/0062" in drawn
    assert "more, all off or away" in drawn


def test_a_broken_line_and_an_empty_shop_are_said(six: Told) -> None:
    assert "No rig has told anything yet." in Told().drawn(80)
    assert "NOT CONNECTED: nothing answers" in six.drawn(80, trouble="nothing answers at shop")


def test_what_fits_nothing_is_counted_and_dropped() -> None:
    shop = Shop()
    topics = RigTopics(bench="bench-1", rig="0" * 16)
    good = payloads.state(topics, StateFollower().now, told.STAMP)
    for topic, payload in (
        ("benchrig/v1/bench-1/x/state", payloads.encode(good)),
        (topics.of("link"), payloads.encode(good)),
        (topics.of("state").replace("bench-1", "bench-2"), payloads.encode(good)),
        (topics.of("state"), b"x" * 70_000),
        (topics.of("state"), b"{"),
        (topics.of("state"), b"[1]"),
        (topics.of("state"), None),
    ):
        assert shop.take(topic, payload, retained=False, now=NOW) is None
    assert shop.unfit == 7
    assert shop.rigs == []


def test_the_number_of_rigs_is_bounded() -> None:
    shop = Told()
    for number in range(RIGS_MAX + 5):
        topics = RigTopics(bench="bench-1", rig=f"{number:016x}")
        shop.take(topics.of("link"), payloads.link(topics, Link.HERE, told.STAMP))
    assert len(shop.shop.rigs) == RIGS_MAX
    assert shop.shop.unfit == 5


KEYS = (
    *("at", "state", "since", "evidence", "doing", "part", "cycle", "disconnect", "verdict"),
    *("id", "number", "outbox", "run", "link", "kind", "message", "current_a"),
)
_JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(max_size=30),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner),
    max_leaves=6,
)


@example("state", {"doing": "unassigned \U00013439, a line\u2028break"})
@given(
    st.sampled_from(["link", "state", "event", "cycle", "live", "verdict"]),
    st.dictionaries(
        st.sampled_from(KEYS),
        _JSON,
    ),
)
def test_whatever_arrives_can_be_shown(kind: str, data: dict[str, Any]) -> None:
    shop = Told()
    topics = RigTopics(bench="bench-1", rig="0" * 16)
    head = {"schema": f"benchrig.{kind}/1", "bench": "bench-1", "rig": "0" * 16}
    shop.shop.take(topics.of(kind), json.dumps(data | head).encode(), retained=False, now=NOW)
    for width in (80, 120):
        drawn = shop.drawn(width)
        assert all(c.isprintable() or c == "\n" for c in drawn)
    for rig in shop.shop.rigs:
        json.dumps(as_json(rig, NOW))
        assert plain_line(rig, NOW)


def test_durations_read_like_a_clock() -> None:
    assert [ago(s) for s in (None, 0, 59, 119, 120, 7200, 200_000)] == (
        ["?", "0 s", "59 s", "119 s", "2 min", "2 h", "2 d"]
    )


def test_doubles_are_dropped_and_gaps_are_seen() -> None:
    seen = Deduplicator(remembered_max=50)

    def new(number: int, outbox: str = "a") -> bool:
        return seen.is_new({"id": f"{outbox}{number}", "outbox": outbox, "number": number})

    assert [new(n) for n in (1, 2, 2, 1, 5, 3)] == [True, True, False, False, True, True]
    assert list(seen.missing) == [("a", 4)]
    assert new(4)
    assert not seen.missing
    assert new(900, "b")
    assert not seen.missing  # the first of an outbox tells nothing of those before
    assert not seen.is_new({})
    for number in range(6, 400):
        new(number)
    assert len(seen._seen) <= 50
    assert new(10_000_000)
    assert len(seen.missing) <= 50


def test_the_command_shows_a_shop_and_its_json_fits(broker: Broker, tmp_path: Path) -> None:
    """Both plain ways of the command, beside one run: lines for a person, JSON for a program."""
    rig = "00000000000000f1"
    programs = [
        subprocess.Popen(
            [
                *command("watch", "--seconds", "15", *to_broker(broker, "watcher")),
                *("--bench", "bench-1", *extra),
            ],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env=environment("watcher", PYTHONIOENCODING="utf-8"),
        )
        for extra in ((), ("--json",))
    ]
    sink = Publisher(
        broker.to("bench-1"), "bench-1", outbox=Outbox(tmp_path / "box"), stamp=now_stamp
    )
    with sink:
        for event in told.a_run(rig=rig)[:9]:
            sink.accept(event)
        time.sleep(6.0)  # the programs come up
        for event in told.a_run(rig=rig)[9:]:
            sink.accept(event)
        assert sink.flush(20), sink.trouble
        (lines, err), (documents, _) = (program.communicate(timeout=60) for program in programs)
    assert [program.returncode for program in programs] == [0, 0], err
    mine = [line for line in lines.splitlines() if "bench-1/00f1" in line]
    assert any("ENERGISED" in line for line in mine), lines
    assert any("OFF" in line and "ended: PASS" in line for line in mine), lines
    told_json = [json.loads(line) for line in documents.splitlines()]
    standing = [d["standing"] for d in told_json if d["rig"] == rig]
    assert standing.index("ENERGISED") < standing.index("OFF")  # at first only its link is known
    assert all(d["schema"] == "benchrig.watch/1" for d in told_json)


def now_stamp() -> str:
    return datetime.now().astimezone().isoformat(timespec="milliseconds")


def test_a_watcher_without_a_broker_says_so() -> None:
    done = subprocess.run(
        command("watch", "--seconds", "1.5", "--broker", "mqtt://127.0.0.1:9"),
        capture_output=True,
        text=True,
        env={k: v for k, v in environment().items() if not k.startswith("BENCHRIG_")},
        timeout=60,
    )
    assert done.returncode == 0, done.stderr
    assert "NOT CONNECTED: nothing answers at mqtt://127.0.0.1:9" in done.stdout


def test_the_outbox_by_hand(broker: Broker, tmp_path: Path) -> None:
    from benchrig.record.log import RunLog
    from tests.record.test_log import keep

    log = tmp_path / "runs.db"
    with RunLog.open(log) as run_log:
        keep(run_log, "20260101-000000-0001", "T-1", 2)
        keep(run_log, "20260102-000000-0002", "T-2", 2)
    box = ["--outbox", str(tmp_path / "outbox.db"), "--json"]
    sending = [*to_broker(broker), "--bench-name", "bench-1", *box]

    def run(*arguments: str, code: int = 0) -> dict[str, Any]:
        done = subprocess.run(
            command("outbox", *arguments),
            capture_output=True,
            text=True,
            env=environment(),
            timeout=60,
        )
        assert done.returncode == code, done.stderr
        answer: dict[str, Any] = json.loads(done.stdout)
        return answer

    assert run("list", *box)["waiting"] == 0
    assert run("send", "--from-log", str(log), *sending)["sent"] == 2
    assert run("send", "--from-log", str(log), *sending)["sent"] == 0
    assert run("send", "--again", "1", *sending)["sent"] == 1
    listed = run("list", *box)
    assert [m["id"][-4:] for m in listed["messages"]] == ["0001", "0002"]
    assert all(m["sent_at"] for m in listed["messages"])
    other = [*to_broker(broker), "--bench-name", "bench-9", *box]
    refused = run("send", "--from-log", str(log), *other, code=5)
    assert (refused["waiting"], len(refused["refused"])) == (2, 1)
    error = run("send", *sending, "--broker", "mqtts://127.0.0.1:9", code=5)["error"]
    assert "nothing answers" in error["message"]
    jsonschema.validate(listed, {"type": "object", "required": ["schema", "outbox", "messages"]})
