"""Asks the analyses a report is made of; one that is missing or broken is left out with a word.

A report never computes: whatever it says beyond what was written down is an analysis' answer.
"""

from typing import TYPE_CHECKING, Any

from roadworn.analysis import Answers, Ran
from roadworn.model.errors import RoadwornError
from roadworn_cli.output import told
from roadworn_cli.words import Look

if TYPE_CHECKING:
    from roadworn.analysis.host import PluginHost
    from roadworn.columns.view import LedgerView


class Asker:
    """Puts questions to the plugin host for one report.

    Attributes:
        ran: what an analysis answers, or its name -> its result, in the order of asking.
        left_out: the same of those without an answer -> why.
    """

    def __init__(
        self, host: "PluginHost", view: "LedgerView", look: Look, time_limit: float = 300.0
    ) -> None:
        self.host, self.view, self.look, self.time_limit = host, view, look, time_limit
        self.ran: dict[str, Ran] = {}
        self.left_out: dict[str, str] = {}

    def ask(self, what: Answers | str, **settings: Any) -> Ran | None:  # noqa: ANN401
        """Run one analysis; None when it cannot answer, and why is kept.

        Args:
            what: what the analysis answers, or its name.
            settings: those that it has no word for are not handed over.
        """
        name = self.host.answering(what) if isinstance(what, Answers) else what
        if name not in self.host.names():
            self.left_out[what] = ""
            return None
        wanted = {"unit": self.look.unit or None, **settings}
        try:
            with told(name):
                ran = self.host.run(name, self.view, {}, self.time_limit, also=wanted)
        except RoadwornError as error:
            self.left_out[what] = error.message
            return None
        self.ran[what] = ran
        # Asked for by its name, it is found by what it answers too.
        if ran.analysis.answers is not None:
            self.ran.setdefault(ran.analysis.answers, ran)
        return ran

    def take(self, answers: Answers, ran: Ran | None, why: str = "") -> None:
        """Keep an answer that somebody else asked for."""
        if ran is None:
            self.left_out[answers] = why
        else:
            self.ran[answers] = ran
