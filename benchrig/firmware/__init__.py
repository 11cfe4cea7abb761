"""The reference firmware: sources in C, the built image, and what built it."""
