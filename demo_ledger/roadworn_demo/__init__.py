"""The demo ledger: scenario, generator with known truth, hand-written files."""

from roadworn_demo.build import DemoPaths, build, files
from roadworn_demo.generator import generate
from roadworn_demo.truth import DEMO_TODAY, FEATURED, SCENE, TRUTH

__all__ = [
    "DEMO_TODAY",
    "FEATURED",
    "SCENE",
    "TRUTH",
    "DemoPaths",
    "build",
    "files",
    "generate",
]
