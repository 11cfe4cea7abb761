"""``python -m benchrig`` is the same as ``benchrig``."""

from benchrig.cli import main

if __name__ == "__main__":
    main()
