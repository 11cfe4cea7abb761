"""Serve a rig: `python -m stranger --port 7000 --fault output_welded@last-off`."""

from __future__ import annotations

import argparse

from .config import KINDS
from .rig import StrangerRig
from .server import Server
from .sins import CATALOGUE


def main() -> None:
    """Read the command line and serve until interrupted."""
    parser = argparse.ArgumentParser(prog="stranger", description=__doc__)
    parser.add_argument("--host", default="127.0.0.1")
    parser.add_argument("--port", type=int, default=0, help="0 takes any free port")
    parser.add_argument("--kind", choices=sorted(KINDS), default="document")
    parser.add_argument(
        "--fault", action="append", default=[], metavar="NAME[=VALUE][@MOMENT]",
        help="moment: microseconds, last-off, feed-open, source, start",
    )  # fmt: skip
    parser.add_argument("--list-faults", action="store_true")
    options = parser.parse_args()
    if options.list_faults:
        for name, (usual, text) in CATALOGUE.items():
            print(f"{name:24} [{usual:g}]  {text}")
        return
    try:
        config = KINDS[options.kind]().sinning(*options.fault)
        server = Server(StrangerRig(config), options.host, options.port)
    except (ValueError, OSError) as error:
        parser.error(str(error))
    print(f"listening on {options.host}:{server.port}", flush=True)
    try:
        server.run()
    except KeyboardInterrupt:
        pass
    finally:
        server.close()


if __name__ == "__main__":
    main()
