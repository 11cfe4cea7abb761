"""Command line: table, selftest, deck."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from . import deck, selftest
from .circuit import COILS, Circuit, Event, Place, Scenario
from .table import main as table_main


def main() -> int:
    """Run one command."""
    parser = argparse.ArgumentParser(prog="places")
    parser.add_argument("command", choices=("table", "selftest", "deck"))
    parser.add_argument("--cache", type=Path, default=None, help="folder for results")
    parser.add_argument("--coil", choices=sorted(COILS), default="a13")
    parser.add_argument("--supply", type=float, default=12.0)
    parser.add_argument("--place", default="PART", help="for deck")
    args = parser.parse_args()
    circuit = Circuit(coil=COILS[args.coil], supply_v=args.supply)
    if args.command == "selftest":
        return 1 if selftest.main(args.cache) else 0
    if args.command == "deck":
        print(deck.write(Scenario(circuit, (Event(Place[args.place]),))))
        return 0
    table_main(circuit, args.cache)
    return 0


if __name__ == "__main__":
    sys.exit(main())
