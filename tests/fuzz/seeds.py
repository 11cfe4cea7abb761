"""Well-formed inputs to start from; without them a fuzzer takes hours to find the format."""

from __future__ import annotations

from importlib.resources import files

from benchrig.wire.frames import encode_frame
from benchrig.wire.messages import Heartbeat, Hello, ReadStatus, ScheduleBegin, Start, Stream


def seeds(target: str) -> list[bytes]:
    """A few inputs for a target."""
    requests = (
        Hello(protocol_major=1, protocol_minor=0),
        Heartbeat(),
        ReadStatus(),
        ScheduleBegin(schedule_id=1, step_count=2, repeat_count=3),
        Start(schedule_id=1),
        Stream(inputs_mask=3, scan_period_us=100),
    )
    payloads = [bytes((r.ID, n)) + r.body() for n, r in enumerate(requests)]
    if target == "decoder":
        return [b"".join(encode_frame(p) for p in payloads)]
    if target in ("messages", "rig"):
        return payloads
    folders = {
        "part": files("benchrig.parts") / "data",
        "pattern": files("benchrig.patterns") / "data",
        "scenario": files("benchrig_sim") / "scenarios",
    }
    if target in folders:
        entries = [e for e in folders[target].iterdir() if e.name.endswith(".toml")]
        return [entry.read_bytes() for entry in entries]
    if target == "wave":
        rows = "".join(f"{n * 1e-4:.4f},{0.9 * (1 - 0.9**n):.4f},13.5\n" for n in range(40))
        return [b"time_s,current_a,voltage_v\n" + rows.encode()]
    return [
        b'title = "t"\npart = "demo-injector"\npattern = "short-pulse"\n'
        b'[[slots]]\nslot = "A1"\ntag = "K-1"\noutput = 0\n'
    ]
