"""What a view is made from, whatever its day, and the session that is made from it when asked."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from roadworn.columns.spec import (
    NOTHING_OUTSIDE,
    Options,
    Outside,
    Progress,
    TableSpec,
    ViewSpec,
)
from roadworn.model.messages import Problem
from roadworn.store.merkle import Checkpoint

# DuckDB and NumPy are imported by who first asks something that is not kept.
if TYPE_CHECKING:
    import duckdb

    from roadworn.columns.fold import LeftOut
    from roadworn.columns.session import Session
    from roadworn.model.kinds import KindRegistry

#: What plugins add to the read model.
Brought = Sequence[TableSpec | ViewSpec]


@dataclass(frozen=True, slots=True)
class Source:
    """What a view is made from, whatever its day; see `open_view`."""

    path: Path
    kinds: "Callable[[], KindRegistry]"
    tables: Callable[[], Brought]
    tell: Callable[[Problem], object] | None
    keep: str
    cache: bool
    unseen_days: int
    most_km_per_day: float
    comeback_days: int
    comeback_km: float
    outside: Outside
    at: Checkpoint | None = None

    def opened(
        self,
        known: str,
        today: date,
        at: Checkpoint | None,
        progress: Progress | None,
        left_out: "LeftOut",
        leave_out: Callable[[str, Problem], None],
    ) -> "tuple[Session, Checkpoint]":
        """Return a session on the tables, and the checkpoint at which it stands.

        Args:
            known: which events are known, as SQL over raw.events.
            today: the day that the views speak of.
            at: the checkpoint to stand at, the latest when None.
            progress: called with (events done, events in all) while folding.
            left_out: takes what of plugins could not be folded.
            leave_out: is told a view of a plugin that cannot be made.

        Raises:
            UsageError: a file of `outside` cannot be read as a table.
            NotALedger, LedgerDamaged, EnvironmentFailure: the ledger cannot be read.
        """
        from roadworn.columns.build import ROW_GROUP, connected, folder_of, load_payloads
        from roadworn.columns.kept_views import KeptViews
        from roadworn.columns.session import Session, dictionary_of
        from roadworn.columns.tables import CORE_TABLES

        # Whoever hands one over by hand answers for it as a plugin does, by its prefix.
        kinds = self.kinds()
        brought = [replace(spec, owner=spec.owner or _prefix(spec)) for spec in self.tables()]
        tables = (*CORE_TABLES, *(spec for spec in brought if isinstance(spec, TableSpec)))
        brings = None
        if self.outside != NOTHING_OUTSIDE:
            from roadworn.columns.bounds import bring

            taken = {info.name for info in dictionary_of((*CORE_TABLES, *self.tables()))}
            brings = partial(bring, outside=self.outside, taken=taken)
        stored = None
        if self.keep and self.cache and at is not None and at.size > ROW_GROUP:
            state = [self.keep, at.as_json(), known, today.isoformat(), *self._settings()]
            stored = KeptViews.of(folder_of(self.path), state)

        def before_locked(con: "duckdb.DuckDBPyConnection") -> None:
            if brings is not None:
                brings(con)
            if stored is not None:
                stored.allow(con)

        con, checkpoint, few = connected(
            self.path,
            tables,
            kinds,
            use_cache=self.cache,
            progress=progress,
            at=at,
            left_out=left_out,
            before_locked=before_locked,
        )
        session = Session(
            con,
            left_out.rest(tables),
            Options(
                known,
                today,
                self.unseen_days,
                self.most_km_per_day,
                self.comeback_days,
                self.comeback_km,
                few,
            ),
            lambda: load_payloads(con, self.path, checkpoint.size, kinds),
            [spec for spec in brought if isinstance(spec, ViewSpec)],
            leave_out,
            stored,
        )
        return session, checkpoint

    def _settings(self) -> tuple[float, ...]:
        """Return what views depend on besides the events, the day and what goes by."""
        return self.unseen_days, self.most_km_per_day, self.comeback_days, self.comeback_km


def core_kinds() -> "KindRegistry":
    """Return the core's event kinds, which only who folds events needs to know."""
    from roadworn.model.kinds import KindRegistry

    return KindRegistry()


def _prefix(spec: TableSpec | ViewSpec) -> str:
    return spec.name.removeprefix("main.").partition("_")[0]
