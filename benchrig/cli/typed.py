"""``benchrig record withdraw``, ``record release`` and ``record add work``: a person's words."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from benchrig.cli.output import say, say_json
from benchrig.cli.records import JsonOption, LogOption, RecordArgument, open_log, resolve
from benchrig.errors import UsageError

if TYPE_CHECKING:
    from benchrig.record.entries import Entry


def register(record_app: typer.Typer, add_app: typer.Typer) -> None:
    """Add the commands."""
    record_app.command("withdraw")(record_withdraw)
    record_app.command("release")(record_release)
    add_app.command("work")(add_work)
    add_app.command("customer")(add_customer)


def record_withdraw(
    entry: Annotated[int, typer.Argument(help="Its number; `record history TAG` shows it.")],
    why: Annotated[str, typer.Option(help="Why it does not count.")],
    who: Annotated[str, typer.Option(help="Who withdraws it.")],
    log: LogOption = None,
    as_json: JsonOption = False,
) -> None:
    """Withdraw what was typed in: it stays, struck through, and counts no longer."""
    from benchrig.cli.pace import stamp
    from benchrig.record.forms import to_json
    from benchrig.report.words import entry_text

    with open_log(log):  # no log is made for it
        pass
    with open_log(log, read_only=False) as run_log:
        gone = run_log.withdraw(entry, who=who, why=why, at=stamp())
    if as_json:
        form = {"kind": gone.KIND, **to_json(gone)}
        say_json({"schema": "benchrig.withdrawal/1", "number": entry, "why": why, "entry": form})
        return
    say(f"entry {entry} of {gone.tag or gone.record_id} counts no longer: {entry_text(gone)}")
    say("a verdict that was made with it stands as it was; run the part again, or see reanalyse")


def record_release(
    record_id: RecordArgument,
    who: Annotated[str, typer.Option(help="Who answers for the page: the name it will bear.")],
    note: Annotated[str, typer.Option(help="Free text.")] = "",
    log: LogOption = None,
    as_json: JsonOption = False,
) -> None:
    """Release a record's page under a name; until then it says that nobody has."""
    from benchrig.cli.pace import stamp
    from benchrig.record.entries import ReleaseEntry

    if not who.strip():
        raise UsageError("--who is empty")
    with open_log(log) as run_log:
        record_id = resolve(run_log, record_id)
        tag = run_log.record(record_id).plan.tag
    with open_log(log, read_only=False) as run_log:
        number = run_log.add(
            ReleaseEntry(at=stamp(), who=who.strip(), record_id=record_id, tag=tag, note=note)
        )
    if as_json:
        released = {"record": record_id, "who": who.strip(), "number": number}
        say_json({"schema": "benchrig.release/1", **released})
        return
    say(f"entry {number}: {record_id} released by {who.strip()}")


def add_customer(
    order: Annotated[str, typer.Argument(help="The work order.")],
    name: Annotated[str, typer.Option(help="Name and address, as they shall stand on the page.")],
    asked: Annotated[str, typer.Option(help="What the customer asked or complained of.")] = "",
    who: Annotated[str, typer.Option(help="Who typed it.")] = "",
    log: LogOption = None,
    as_json: JsonOption = False,
) -> None:
    """Add whose order it is; the newest counts."""
    from benchrig.cli.pace import stamp
    from benchrig.record.entries import CustomerEntry

    if not order.strip() or not name.strip():
        raise UsageError("an order and a name are needed")
    entry = CustomerEntry(
        at=stamp(), who=who, order=order.strip(), name=name.strip(), asked=asked.strip()
    )
    _add(entry, f"order {order} is of {name}", log, as_json=as_json)


def add_work(
    text: Annotated[str, typer.Option(help="What was done.")],
    tag: Annotated[str, typer.Option(help="To the part of this tag.")] = "",
    order: Annotated[str, typer.Option(help="In this order; without --tag to all its parts.")] = "",
    who: Annotated[str, typer.Option(help="Who did it.")] = "",
    log: LogOption = None,
    as_json: JsonOption = False,
) -> None:
    """Add what was done to a part or to all parts of an order, for the customer's page."""
    from benchrig.cli.pace import stamp
    from benchrig.record.entries import WorkEntry

    if not text.strip():
        raise UsageError("--text is empty")
    if not (tag.strip() or order.strip()):
        raise UsageError("give --tag, --order or both")
    entry = WorkEntry(at=stamp(), who=who, tag=tag.strip(), order=order.strip(), text=text)
    _add(entry, f"work on {tag or f'order {order}'}: {text}", log, as_json=as_json)


def _add(entry: Entry, words: str, log: str | None, *, as_json: bool) -> None:
    """Into the log, and say so; nothing is judged by it."""
    from benchrig.record.forms import to_json

    with open_log(log, read_only=False) as run_log:
        number = run_log.add(entry)
    if as_json:
        form = {"kind": entry.KIND, **to_json(entry)}
        say_json({"schema": "benchrig.entry/1", "number": number, "entry": form, "judged": []})
        return
    say(f"entry {number}: {words}")
