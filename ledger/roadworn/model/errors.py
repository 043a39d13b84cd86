"""Every exception Roadworn raises on purpose, in one tree.

::

    RoadwornError                    never raised itself; has .message and .exit_code
    ├── UsageError             (2)   the words given cannot be understood
    │   ├── UnknownName        (2)   a vehicle, component, kind or analysis nobody knows; has .near
    │   ├── UnitError          (2)   a figure or its unit cannot be read (`model.units`)
    │   ├── PositionError      (2)   a place makes no sense for the component (`model.places`)
    │   └── QueryError         (2)   a query that the read model cannot run
    ├── ProblemsFound          (1)   the data given have problems; has .problems
    ├── LedgerRefused          (3)   the ledger will not take it
    │   ├── LedgerBusy         (3)   another process holds the write lock for too long
    │   ├── LedgerDamaged      (3)   what is stored does not verify, or its guards are gone
    │   └── NotALedger         (3)   the file is something else, or from a newer version
    ├── EnvironmentFailure     (4)   a file, disk or missing extra stands in the way
    └── PluginFailure          (4)   an analysis raised, ran too long or returned something else

A message is one plain sentence that names the remedy. Its parts stay apart: what is wrong, what
to do about it, and a code to decide on, so that nobody cuts or matches a sentence. Findings about
data are not exceptions but values (`roadworn.model.messages`); reservations about a computed
figure are caveats on its result.
"""

import re
from collections.abc import Iterable, Mapping, Sequence
from typing import ClassVar

from roadworn.model.messages import Joined, Problem, Sentence, left_out_said


class RoadwornError(Exception):
    """Base of all errors raised on purpose; never raised itself.

    Attributes:
        what: what is wrong, without a full stop where a remedy follows; or all that is said.
        remedy: what to do about it, without a full stop, or an empty text.
        code: short stable word to decide on, or an empty text.
        more: what else there is to know, a sentence of its own, or an empty text.
        message: all as sentences: ``what: remedy.``, and what else there is to know.
    """

    exit_code: ClassVar[int] = 4

    def __init__(self, what: str, remedy: str = "", code: str = "", more: str = "") -> None:
        said = f"{what}: {remedy}." if remedy else what
        self.message = Joined((said, more), " ") if more else said
        super().__init__(self.message)
        self.what, self.remedy, self.code, self.more = what, remedy, code, more

    def as_problem(self, code: str = "", column: str = "") -> Problem:
        """Return it as a finding about data: what is wrong, and as a hint what to do."""
        if not self.remedy:
            return Problem(code or self.code, self.what, column=column)
        return Problem.of(code or self.code, self.what, self.remedy, column)


class UsageError(RoadwornError):
    """The words or options given cannot be understood as they stand."""

    exit_code = 2


#: Code of an `UnknownName` that several answer to: a longer part of the name decides.
SEVERAL = "several"


class UnknownName(UsageError):
    """A name that nothing in the ledger, catalogue or plugin host answers to."""

    def __init__(
        self,
        what: str,
        near: Sequence[str] = (),
        *,
        remedy: str = "",
        code: str = "",
        left_out: Mapping[str, str] | None = None,
    ) -> None:
        super().__init__(what, remedy, code, left_out_said(left_out or {}))
        self.near = tuple(near)

    @classmethod
    def of(
        cls,
        what: str,
        name: str,
        known: Iterable[str],
        otherwise: str,
        left_out: Mapping[str, str] | None = None,
    ) -> "UnknownName":
        """Return the error of a name, with the nearest that are known.

        Args:
            what: what is not there, with its name: ``vehicle 'bus-8'``.
            name: as given; letter case does not matter.
            known: those there are.
            otherwise: what to do when none is near, a sentence's end with its full stop.
            left_out: plugin that might bring it and is left out -> what leaves it out.
        """
        from difflib import get_close_matches

        folded = {one.casefold(): one for one in known}
        asked = name.casefold()
        # A short word is far from a long name that it is part of: hours from hours_reading.
        of_it = [one for one in folded if asked in re.split(r"[_.\s-]", one)]
        near = [folded[one] for one in get_close_matches(asked, folded, n=3) or of_it[:3]]
        hint: str = Sentence("did-you-mean", "did you mean {names}?", names=" or ".join(near))
        said = Sentence(
            "there-is-no", "There is no {what}; {hint}", what=what, hint=hint if near else otherwise
        )
        return cls(said, near, left_out=left_out)


class QueryError(UsageError):
    """A query that the read model cannot run; from an analysis it is the plugin's fault."""


class ProblemsFound(RoadwornError):
    """Data given to intake have problems; nothing of them was taken."""

    exit_code = 1

    def __init__(
        self, what: str, problems: Sequence[Problem], *, remedy: str = "", code: str = ""
    ) -> None:
        super().__init__(what, remedy, code)
        self.problems = tuple(problems)


class LedgerRefused(RoadwornError):
    """The ledger does not take what was asked, and nothing was changed."""

    exit_code = 3


class LedgerBusy(LedgerRefused):
    """Another process held the write lock longer than the busy timeout."""


class LedgerDamaged(LedgerRefused):
    """What is stored does not verify, or the append-only guards are missing."""


class NotALedger(LedgerRefused):
    """The file is not a ledger of a version that this program reads."""


class EnvironmentFailure(RoadwornError):
    """A file, a disk or a missing extra stands in the way."""

    @classmethod
    def unreadable(cls, path: object, error: OSError) -> "EnvironmentFailure":
        """Return the error of a file that the system does not let us read."""
        return cls(f"{path} cannot be read ({error.strerror})", "check its name and rights")


class PluginFailure(RoadwornError):
    """A plugin raised, ran past its time limit or returned something that is no Result."""


class Outdated(Exception):
    """What is to be written must be judged once more, since the ledger went on."""
