"""The command line. The only door to typer; builds the objects and maps errors to exit codes."""

from benchrig.cli.app import main

__all__ = ["main"]
