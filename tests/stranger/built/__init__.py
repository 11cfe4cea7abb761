"""A second rig, written from the protocol document alone, and nothing else."""

from .config import RigConfig
from .rig import StrangerRig

__all__ = ["RigConfig", "StrangerRig"]
