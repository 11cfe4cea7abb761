"""The command tree and the one place where errors become exit codes.

Heavy modules are imported inside the commands, so that ``benchrig --help`` stays quick; a test
holds the list of what it imports.
"""

from __future__ import annotations

import io
import os
import sys
from typing import Annotated, Any

import typer

from benchrig import __version__
from benchrig.cli.tree import Tree
from benchrig.errors import BenchrigError, ExitCode, InputFileError, NotProvenSafe

app = typer.Typer(
    name="benchrig",
    cls=Tree,
    help="Test removed injectors, solenoids and small pumps on a USB relay/ADC rig. "
    "Nothing is left energised.",
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    no_args_is_help=True,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def _version(value: bool) -> None:
    if value:
        from benchrig.wire.messages import PROTOCOL_MAJOR, PROTOCOL_MINOR

        sys.stdout.write(f"benchrig {__version__}, protocol {PROTOCOL_MAJOR}.{PROTOCOL_MINOR}\n")
        raise typer.Exit


@app.callback()
def _options(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version.")
    ] = False,
) -> None:
    pass


def main() -> None:
    """Run the command line; ends the process with an ``ExitCode``."""
    wants_json = "--json" in sys.argv[1:]
    for stream in (sys.stdout, sys.stderr):
        # A letter that the terminal or file has not is no reason to end with the wrong exit code.
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")
    # The matrices here are small: BLAS threads cost several times what they bring.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    try:
        code = app(standalone_mode=False)
        sys.exit(int(code or 0))
    except BenchrigError as error:
        _tell(error, wants_json)
        sys.exit(error.exit_code)
    except KeyboardInterrupt:
        from benchrig.cli.output import Interrupted

        _tell(Interrupted(), wants_json)
        sys.exit(ExitCode.INTERRUPTED)
    except Exception as error:  # noqa: BLE001 - the top: usage errors keep typer's own words
        _last_resort(error, wants_json)


def _last_resort(error: Exception, wants_json: bool) -> None:
    show = getattr(error, "show", None)
    code = getattr(error, "exit_code", None)
    if show is None or code is None:
        sys.excepthook(type(error), error, error.__traceback__)
        if wants_json:
            message = f"{type(error).__name__}: {error}"
            _write_json({"kind": "Bug", "message": message, "exit_code": int(ExitCode.BUG)})
        sys.exit(ExitCode.BUG)
    if wants_json:
        message = error.format_message() if hasattr(error, "format_message") else str(error)
        _write_json({"kind": "UsageError", "message": message, "exit_code": code})
    else:
        show()
    sys.exit(code)


def _tell(error: BenchrigError, wants_json: bool) -> None:
    if wants_json:
        described: dict[str, Any] = {
            "kind": type(error).__name__,
            "message": error.message,
            "exit_code": int(error.exit_code),
        }
        if error.advice:
            described["advice"] = error.advice
        if isinstance(error, InputFileError):
            described["findings"] = [
                {"file": f.file, "line": f.line, "message": f.message} for f in error.findings
            ]
        if isinstance(error, NotProvenSafe):
            described["disconnect"] = list(error.disconnect)
        _write_json(described)
        return
    from benchrig.text import clean

    sys.stderr.write(clean(f"benchrig: {error.message}\n"))
    if error.advice:
        sys.stderr.write(clean(f"  {error.advice}\n"))


def _write_json(described: dict[str, Any]) -> None:
    from benchrig.cli.output import say_json

    say_json({"schema": "benchrig.error/1", "error": described}, on_one_line=True)
