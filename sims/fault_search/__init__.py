"""Whole jobs on the simulated rig with faults drawn from a seed, checked against the physics.

``python -m fault_search --seeds 0:1000`` with ``sims/`` on the path; not part of the package.
"""
