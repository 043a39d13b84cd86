# What a plugin author imports from here, and where it lives: said once, for type checkers, editors
# and `__init__.py`, which resolves a name when it is first used.
from roadworn.analysis.host import PluginHost as PluginHost
from roadworn.analysis.host import hookimpl as hookimpl
from roadworn.analysis.result import Analysis as Analysis
from roadworn.analysis.result import Chart as Chart
from roadworn.analysis.result import Column as Column
from roadworn.analysis.result import Estimate as Estimate
from roadworn.analysis.result import PackagedFile as PackagedFile
from roadworn.analysis.result import Result as Result
from roadworn.analysis.result import Series as Series
from roadworn.analysis.result import Settings as Settings
from roadworn.analysis.result import Table as Table
from roadworn.columns.view import LedgerView as LedgerView
from roadworn.columns.view import TableSpec as TableSpec
from roadworn.columns.view import open_view as open_view
from roadworn.intake.ledger import Ledger as Ledger
from roadworn.model.events import NewEvent as NewEvent
from roadworn.model.events import StoredEvent as StoredEvent
from roadworn.model.kinds import EventKind as EventKind
from roadworn.model.messages import Problem as Problem
from roadworn.model.payloads import Payload as Payload
