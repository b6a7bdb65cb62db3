"""Scenes with constructed truth: guitars through amps, cabinets, rooms and faults.

Pure numpy and scipy; a seeded generator comes in, arrays and their truth go
out. Nothing here knows how the program under test works.
"""

from .build import random_scene
from .families import FAMILIES, FOREIGN, HELD_OUT, MOVING, ODD, PLAIN
from .nights import one_rig, random_night, random_pass
from .players import PLAYERS, perform, retake
from .recordings import real_recordings
from .scene import Jump, Pass, Scene, Truth, cramer_rao_samples

__all__ = [
    "FAMILIES",
    "FOREIGN",
    "HELD_OUT",
    "MOVING",
    "ODD",
    "PLAIN",
    "PLAYERS",
    "Jump",
    "Pass",
    "Scene",
    "Truth",
    "cramer_rao_samples",
    "one_rig",
    "perform",
    "random_night",
    "random_pass",
    "random_scene",
    "real_recordings",
    "retake",
]
