"""``python -m benchrig_sim`` is ``benchrig-sim``."""

from benchrig_sim.cli import main

if __name__ == "__main__":
    raise SystemExit(main())
