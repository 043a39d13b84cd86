"""A kit for plugin authors: small ledgers in one call, and checks of all that a plugin brings.

Import this and `roadworn` only; nothing of the bundled plugins or the command is needed. Each
``check_...`` raises an AssertionError with one sentence that says what does not hold.
With the package installed pytest knows the fixtures `roadworn_host`, `roadworn_ledger`,
`roadworn_view` and `roadworn_run` by themselves.
"""

from roadworn.testing.checks import (
    check_analysis,
    check_kind,
    check_plugin,
    check_table,
)
from roadworn.testing.data_files import check_data_file
from roadworn.testing.ledgers import event, view_of
from roadworn.testing.life_models import check_life_model
from roadworn.testing.made import Fleet, Made, made_fleet

__all__ = [
    "Fleet",
    "Made",
    "check_analysis",
    "check_data_file",
    "check_kind",
    "check_life_model",
    "check_plugin",
    "check_table",
    "event",
    "made_fleet",
    "view_of",
]
