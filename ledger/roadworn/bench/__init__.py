"""Short forms a person types at a bench, turned into payloads.

Pure functions from text to plain dictionaries: the command line, an import or a program of
a shop's own may use them. What cannot be read raises `UsageError` with what to type instead;
nothing is guessed.
"""

from roadworn.bench.amounts import read_money, read_odometer, read_warranty
from roadworn.bench.choices import choose
from roadworn.bench.fields import change_fields
from roadworn.bench.phrases import read_decisions, read_estimate_line, read_finding, read_item
from roadworn.bench.scans import read_scan
from roadworn.bench.words import describe

__all__ = [
    "change_fields",
    "choose",
    "describe",
    "read_decisions",
    "read_estimate_line",
    "read_finding",
    "read_item",
    "read_money",
    "read_odometer",
    "read_scan",
    "read_warranty",
]
