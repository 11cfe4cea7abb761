"""The reference firmware, run for real in an emulator: its binary, its pins, its line.

Needs a source checkout, a C compiler and libsimavr 1.6; nothing here is installed with the
program. What the emulator cannot show stands in benchrig/firmware/README.md.
"""
