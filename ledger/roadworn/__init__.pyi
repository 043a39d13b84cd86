# What a plugin author imports from here, and where it lives: said once, for type checkers, editors
# and `__init__.py`, which resolves a name when it is first used.
from roadworn.analysis import Analysis as Analysis
from roadworn.analysis import Answers as Answers
from roadworn.analysis import Chart as Chart
from roadworn.analysis import Column as Column
from roadworn.analysis import Deferred as Deferred
from roadworn.analysis import Estimate as Estimate
from roadworn.analysis import Holds as Holds
from roadworn.analysis import Mark as Mark
from roadworn.analysis import PackagedFile as PackagedFile
from roadworn.analysis import Result as Result
from roadworn.analysis import Series as Series
from roadworn.analysis import Settings as Settings
from roadworn.analysis import Table as Table
from roadworn.analysis import Tells as Tells
from roadworn.analysis.brought import Command as Command
from roadworn.analysis.brought import DataFile as DataFile
from roadworn.analysis.brought import Decoder as Decoder
from roadworn.analysis.brought import Importer as Importer
from roadworn.analysis.brought import Job as Job
from roadworn.analysis.brought import Panel as Panel
from roadworn.analysis.doors import HOOKS as HOOKS
from roadworn.analysis.doors import hookimpl as hookimpl
from roadworn.analysis.host import PluginHost as PluginHost
from roadworn.analysis.notebook import Answer as Answer
from roadworn.analysis.notebook import Book as Book
from roadworn.analysis.notebook import open as open  # noqa: A004
from roadworn.columns.spec import Rows as Rows
from roadworn.columns.spec import TableSpec as TableSpec
from roadworn.columns.spec import ViewSpec as ViewSpec
from roadworn.columns.view import LedgerView as LedgerView
from roadworn.columns.view import open_view as open_view
from roadworn.intake import Ledger as Ledger
from roadworn.model.errors import LedgerRefused as LedgerRefused
from roadworn.model.errors import PluginFailure as PluginFailure
from roadworn.model.errors import ProblemsFound as ProblemsFound
from roadworn.model.errors import QueryError as QueryError
from roadworn.model.errors import RoadwornError as RoadwornError
from roadworn.model.errors import UnknownName as UnknownName
from roadworn.model.errors import UsageError as UsageError
from roadworn.model.events import NewEvent as NewEvent
from roadworn.model.events import StoredEvent as StoredEvent
from roadworn.model.kinds import EventKind as EventKind
from roadworn.model.messages import Problem as Problem
from roadworn.model.messages import Says as Says
from roadworn.model.messages import Sentence as Sentence
from roadworn.model.payloads import ComponentId as ComponentId
from roadworn.model.payloads import Day as Day
from roadworn.model.payloads import Distance as Distance
from roadworn.model.payloads import Money as Money
from roadworn.model.payloads import Payload as Payload
from roadworn.model.payloads import Position as Position
from roadworn.model.payloads import about as about

__version__: str
