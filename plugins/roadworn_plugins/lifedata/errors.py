"""What the estimators raise when data or settings cannot be used at all.

Reservations about a figure that could be computed are no errors: they are statuses and
caveats on the result.
"""

from collections.abc import Sequence

from roadworn.errors import ProblemsFound
from roadworn.problems import Problem


class LifeDataError(ProblemsFound):
    """Data or a setting cannot be used; ``problems`` names each row that is at fault."""

    def __init__(self, message: str, problems: Sequence[Problem] = ()) -> None:
        super().__init__(message, problems)


def check_level(level: float) -> None:
    """Raise when a confidence level is not usable.

    Args:
        level: confidence level as a fraction.

    Raises:
        LifeDataError: unless ``0 < level <= 0.9999``.
    """
    if not 0.0 < level <= 0.9999:
        raise LifeDataError(
            f"The confidence level {level} is out of range: give a fraction such as 0.95."
        )
