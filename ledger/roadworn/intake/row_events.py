"""What one row of a table gives: one event or several, each with its share of the amounts."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import ROUND_DOWN, Decimal
from functools import cache
from typing import TYPE_CHECKING, NamedTuple

from roadworn.intake.csv_file import Cell, CellError, cell_text, read_number
from roadworn.intake.csv_map import ENVELOPE, CsvMap
from roadworn.intake.job_words import WORK, JobReader, Meant, Piece, is_service
from roadworn.intake.map_sections import EventPart, fold, is_like
from roadworn.intake.table_records import Record
from roadworn.model.catalogue import catalogue
from roadworn.model.kinds import KindRegistry, fields_of
from roadworn.model.messages import Problem, shown

if TYPE_CHECKING:
    from roadworn.intake.csv_row import Words

#: Fields that are shared among the jobs of a row or a work order: amounts, then hours.
MONEY = ("parts_cost", "other_cost", "labour_cost")
HOURS = ("labour_hours", "clocked_hours")
#: What a reading of hours takes of its row besides the figure.
_OF_READING = frozenset({"vehicle_id", "plate", "occurred_at", "recorded_by"})
#: Units of a meter that counts hours of the engine in the place of a distance.
HOUR_UNITS = frozenset({"h", "hr", "hrs", "hour", "hours"})


class Given(NamedTuple):
    """What is to be made an event.

    Attributes:
        map: the map as it holds for this event.
        cells: our field -> cell.
    """

    map: CsvMap
    cells: dict[str, Cell]


class Told:
    """What is wrong or odd with a row as a whole.

    Attributes:
        problems: why it cannot be taken.
        doubts: what is odd in it.
    """

    def __init__(self, file: str, line: int) -> None:
        self.problems: list[Problem] = []
        self.doubts: list[Problem] = []
        self._place = file, line

    def problem(self, column: str, code: str, message: str, hint: str) -> None:
        """Note a problem of the row."""
        self.problems.append(Problem(code, message, hint, *self._place, column))


class RowEvents:
    """Rows taken apart by one map.

    Attributes:
        map: the map.
        words: distinct words, each resolved once.
        jobs: reads the cells of jobs.
        shares: of work orders, where the map shares their amounts.
    """

    def __init__(self, csv_map: CsvMap, words: "Words") -> None:
        self.map = csv_map
        self.words = words
        self.jobs = JobReader(csv_map)
        self.shares: Shares | None = None
        self._by_case: dict[tuple[int, ...], CsvMap] = {}
        # The map itself stands beside its double, so that its id is never another's.
        self._kindless: dict[int, tuple[CsvMap, CsvMap]] = {}

    def of(self, record: Record, told: Told) -> Iterator[Given]:
        """Yield what a row gives; what is wrong or odd with it as a whole goes to `told`."""
        own = self._map_for(record)
        if own is None:
            return
        if own.kind or "jobs" in own.columns.values() or "kind" in self._fed(own):
            base = self._cells(own, record, own.columns, own.constants)
            if run := _by_hours(own, base):
                yield run
            if "jobs" in base:
                yield from self._of_jobs(own, record, base, told)
            else:
                yield Given(own, self._shared(record, [base])[0])
        for part in own.events:
            if _holds(part, record):
                kind = part.kind.replace("-", "_")
                columns = _shared_by(kind, own.columns)
                made = replace(own, kind=kind, columns={**columns, **part.columns})
                cells = self._cells(made, record, made.columns, own.constants)
                _by_hours(own, cells)
                yield Given(made, {**cells, **part.constants})

    def _fed(self, own: CsvMap) -> set[str]:
        return {*own.columns.values(), *own.constants}

    def _map_for(self, record: Record) -> CsvMap | None:
        """Return the map with the cases that hold for a row; None where it is left out."""
        if not self.map.cases:
            return self.map
        hold = tuple(
            at
            for at, case in enumerate(self.map.cases)
            if all(is_like(cell_text(record.cells.get(h)), t) for h, t in case.cells.items())
        )
        if hold not in self._by_case:
            made: CsvMap = self.map
            for at in hold:
                case = self.map.cases[at]
                made = replace(
                    made,
                    constants={**made.constants, **case.set},
                    units={**made.units, **case.units},
                    dates=case.dates or made.dates,
                    kind=case.set.get("kind", made.kind).replace("-", "_"),
                )
            constants = {key: text for key, text in made.constants.items() if key != "kind"}
            self._by_case[hold] = replace(made, constants=constants)
        if any(self.map.cases[at].skip for at in hold):
            return None
        return self._by_case[hold]

    def _cells(
        self,
        own: CsvMap,
        record: Record,
        columns: Mapping[str, str],
        constants: Mapping[str, str],
    ) -> dict[str, Cell]:
        cells: dict[str, Cell] = dict(constants)
        over = {key for case in self.map.cases for key in case.set}
        for name, target in columns.items():
            cell = record.cells.get(name)
            # What a case sets holds over the column; a plain constant only where it is empty.
            if cell is not None and not (target in over and target in own.constants):
                cells[target] = cell
        return cells

    def _of_jobs(
        self, own: CsvMap, record: Record, base: dict[str, Cell], told: Told
    ) -> Iterator[Given]:
        text = cell_text(base.pop("jobs"))
        column = own.header_of("jobs")
        kind = fold(cell_text(base.pop("kind", own.kind)))
        made: list[dict[str, Cell]] = []
        for piece in self.jobs.read(text):
            if piece.word.ask:
                message = f"The job {shown(piece.word.text)} is open: {piece.word.ask}"
                told.problem(column, "open-word", message, _hint(piece))
                continue
            quantity = int(str(piece.facts.get("quantity", 1)))
            meant = [self._with_kind(one, kind) for one in piece.word.meant]
            open_deed = next((one for one in meant if not one.kind), None)
            if quantity % len(meant):
                message = f"{shown(piece.text)} says {quantity} of {len(meant)} parts."
                told.problem(column, "open-word", message, _hint(piece))
            elif open_deed is not None:
                told.problem(column, "open-deed", *_open_deed(piece, open_deed))
            else:
                made += (_job(piece, one, base, quantity // len(meant)) for one in meant)
        if told.problems:
            return
        if not made:
            self._tell_lost(base, text, told, column)
            return
        without_kind = self._without_kind(own)
        for cells in self._shared(record, made):
            yield Given(without_kind, cells)

    def _without_kind(self, own: CsvMap) -> CsvMap:
        """Return a map whose rows say their kind themselves; made once, not once a row."""
        if id(own) not in self._kindless:
            self._kindless[id(own)] = own, replace(own, kind="")
        return self._kindless[id(own)][1]

    def _with_kind(self, one: Meant, row_kind: str) -> Meant:
        if one.kind:
            return one
        kind = row_kind or self.map.jobs.kind
        if kind == "maintenance" and not is_service(catalogue().get(one.component)):
            return one  # what was done to a part that is not kept by plan is left open
        return one._replace(kind=kind)

    def _tell_lost(self, base: Mapping[str, Cell], text: str, told: Told, column: str) -> None:
        if any(cell_text(base.get(target)) for target in MONEY):
            message = f"{shown(text)} names no job, so what the row costs is in no event."
            hint = "say what it is under [values.jobs] where it is work on the vehicle"
            told.doubts.append(Problem("cost-without-job", message, hint, column=column))

    def count(self, record: Record) -> int:
        """Return how many jobs a row gives, open ones too."""
        own = self._map_for(record)
        if record.skipped or own is None:
            return 0
        header = next((name for name, to in own.columns.items() if to == "jobs"), "")
        if not header:
            return 1
        pieces = self.jobs.read(cell_text(record.cells.get(header)))
        return sum(max(1, len(piece.word.meant)) for piece in pieces)

    def _shared(self, record: Record, jobs: Sequence[dict[str, Cell]]) -> Sequence[dict[str, Cell]]:
        """Share the amounts of a row among its jobs, or those of its work order."""
        of_order: Mapping[str, Sequence[Decimal]] = {}
        shared: frozenset[str] = frozenset()
        if self.shares is not None:
            of_order, shared = self.shares.next(record, len(jobs)), self.shares.targets
        for target in (*MONEY, *HOURS):
            parts: Sequence[Cell] | None = None
            if target in shared:
                parts = of_order.get(target)
                for cells in jobs:
                    cells.pop(target, None)
            elif len(jobs) > 1 and cell_text(jobs[0].get(target)):
                try:
                    whole = read_number(jobs[0][target], self.map)
                except CellError:
                    continue  # the cell's own problem is told by each job
                parts = _parts(whole, len(jobs))
            for at, cells in enumerate(jobs):
                if parts is not None:
                    cells[target] = parts[at]
                own = cells.pop(f"own {target}", None)
                if own is not None and not cell_text(cells.get(target)):
                    cells[target] = own
        return jobs


def _job(piece: Piece, one: Meant, base: Mapping[str, Cell], quantity: int) -> dict[str, Cell]:
    """Return the cells of one job of a piece."""
    cells: dict[str, Cell] = dict(base)
    for target, figure in piece.facts.items():
        if target in MONEY or target in HOURS:
            cells[f"own {target}"] = _part(Decimal(str(figure)), len(piece.word.meant))
        elif target != "quantity" and "odometer" not in base:
            cells[target] = figure
    cells |= {"kind": one.kind, "component": one.component, "note": piece.text}
    if base.get("note"):
        cells["note"] = f"{piece.text}; {cell_text(base['note'])}"
    if one.position:
        cells["position"] = one.position
    if one.kind == "maintenance" and one.action:
        cells["action"] = one.action
    if one.kind == "replacement":
        if one.reason:
            cells["reason"] = one.reason
        cells.setdefault("reason", "unknown")
        if quantity > 1:
            cells["quantity"] = Decimal(quantity)
    return cells


def _open_deed(piece: Piece, one: Meant) -> tuple[str, str]:
    """Return what to say of a job that does not say what was done, and what to do."""
    name = catalogue().name_of(one.component)
    word = shown(fold(piece.word.text))
    hint = (
        'say kind = "replacement" under [jobs] of the map where such words mean that, or '
        f'{word} = "{one._replace(kind="repair").spelled()}" under [values.jobs]'
    )
    return f"The job {shown(piece.word.text)} does not say what was done to the {name}.", hint


def _hint(piece: Piece) -> str:
    near = f"did you mean {' or '.join(piece.word.near)}? " if piece.word.near else ""
    return f"{near}Say it under [values.jobs]: {shown(fold(piece.word.text))} = …"


def _holds(part: EventPart, record: Record) -> bool:
    if part.cells:
        return all(is_like(cell_text(record.cells.get(h)), t) for h, t in part.cells.items())
    for name, target in part.columns.items():
        # No day out of service is none; a figure that cannot be read is told by its event.
        text = cell_text(record.cells.get(name))
        if text and not (target == "days" and not text.strip("0.,")):
            return True
    return False


def _by_hours(own: CsvMap, base: dict[str, Cell]) -> Given | None:
    """Take a meter of hours out of the cells of a row: it is a reading of its own."""
    word = cell_text(base.get("odometer_unit"))
    said = own.values.get("odometer_unit", {}).get(fold(word), word)
    unit = said or own.units.get("odometer", "")
    if fold(unit) not in HOUR_UNITS:
        return None
    base.pop("odometer_unit", None)
    hours = base.pop("odometer", None)
    if not cell_text(hours):
        return None
    kept = {key: cell for key, cell in base.items() if key in _OF_READING}
    made = replace(own, kind="hours_reading", units={})
    return Given(made, {**kept, "hours": hours})


def _shared_by(kind: str, columns: Mapping[str, str]) -> dict[str, str]:
    """Return the columns that a further event of a row takes as well.

    What an event of no work has no field for stays with the row's own event.
    """
    left_out = _not_of(kind)
    return {name: to for name, to in columns.items() if to not in left_out}


@cache
def _not_of(kind: str) -> frozenset[str]:
    """Return the fields of work that an event of another kind has not."""
    kinds = KindRegistry()
    if kind in WORK or kind not in kinds:
        return frozenset({"jobs"})
    of_work = {"jobs", "labour_cost", "warranty"}.union(
        *(fields_of(kinds.get(one).model) for one in WORK)
    )
    return frozenset(of_work.difference(fields_of(kinds.get(kind).model), ENVELOPE))


def _parts(whole: Decimal, number: int) -> list[Decimal]:
    """Return an amount or hours in equal parts to the hundredth, what is left in the first."""
    least = Decimal("0.01")
    each = (whole / number).quantize(least, rounding=ROUND_DOWN)
    return [whole - each * (number - 1), *([each] * (number - 1))]


def _part(whole: Decimal, number: int) -> Decimal:
    return whole if number == 1 else (whole / number).quantize(Decimal("0.01"))


@dataclass
class _Order:
    """A work order: its amounts, how many jobs it has, and how many of them had their share."""

    amounts: dict[str, Decimal]
    jobs: int = 0
    given: int = 0


class Shares:
    """Amounts of work orders, shared equally among their jobs.

    Attributes:
        targets: our fields that are shared.
    """

    def __init__(self, by: str, targets: frozenset[str]) -> None:
        self._by = by
        self.targets = targets
        self._orders: dict[str, _Order] = {}

    @classmethod
    def of(cls, records: Iterable[Record], csv_map: CsvMap, events: RowEvents) -> "Shares":
        """Return those of a table; reads all of it."""
        share = csv_map.share
        if share is None:
            return cls("", frozenset())
        headers = {name: csv_map.columns.get(name, "") for name in share.amounts}
        made = cls(share.by, frozenset(filter(None, headers.values())))
        for record in records:
            number = events.count(record)
            key = fold(cell_text(record.cells.get(share.by)))
            if not key:
                continue
            order = made._orders.setdefault(key, _Order({}))
            order.jobs += number
            for name, target in headers.items():
                cell = record.cells.get(name)
                if cell is None or not target:
                    continue
                try:
                    amount = read_number(cell, csv_map)
                except CellError:
                    continue  # told by the row itself
                before = order.amounts.get(target, Decimal(0))
                order.amounts[target] = max(before, amount) if share.repeated else before + amount
        return made

    def next(self, record: Record, number: int) -> dict[str, list[Decimal]]:
        """Return the share of the next jobs of a row's work order: field -> amounts."""
        order = self._orders.get(fold(cell_text(record.cells.get(self._by))))
        if order is None or not order.jobs:
            return {}
        first, order.given = order.given, order.given + number
        return {
            target: _parts(amount, order.jobs)[first : first + number]
            for target, amount in order.amounts.items()
            if first + number <= order.jobs
        }
