"""What the machine has: told on any machine, and without a crash."""

from __future__ import annotations

import os

import pytest

from benchrig.cli.doctor import _broker, _rights
from tests.cli.shell import Shell


def test_it_can_be_pasted_and_switches_nothing(shell: Shell) -> None:
    said = shell("doctor", "--json").json
    assert said["schema"] == "benchrig.doctor/1"
    assert {"benchrig", "python", "pyserial", "serial ports", "port rights", "run log"} <= set(said)
    assert not shell.log.exists()


@pytest.mark.skipif(os.name == "nt", reason="ports need no rights there")
def test_a_group_without_a_name_is_no_mistake(monkeypatch: pytest.MonkeyPatch) -> None:
    """Containers and directories of users have numbers that no file names."""
    import grp

    serial = grp.getgrnam("dialout").gr_gid
    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    monkeypatch.setattr(os, "getegid", lambda: 999_999)
    monkeypatch.setattr(os, "getgroups", lambda: [999_999])
    assert _rights().startswith("not in group dialout: run `sudo usermod -aG dialout")
    monkeypatch.setattr(os, "getgroups", lambda: [999_999, serial])
    assert _rights() == "in group dialout"


@pytest.mark.parametrize(
    ("url", "words"),
    [
        ("", "none named (BENCHRIG_BROKER)"),
        ("mqtt://127.0.0.1:1", "nothing answers at mqtt://127.0.0.1:1"),
        ("nonsense", "the broker's address cannot be read"),
    ],
)
def test_the_broker_of_the_environment_is_asked(
    url: str, words: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("BENCHRIG_BROKER", url)
    assert _broker() == words
