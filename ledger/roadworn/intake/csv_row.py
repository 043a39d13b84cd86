"""One row of a table made an event, by its map."""

import hashlib
import re
from collections import Counter
from collections.abc import Callable, Mapping
from decimal import Decimal
from functools import partial
from typing import Any, get_args

import orjson
from pydantic import ValidationError

from roadworn.checks.odd import marked_thousands
from roadworn.checks.shape import problems_of
from roadworn.intake import validated_payload
from roadworn.intake.csv_file import (
    Cell,
    CellError,
    cell_text,
    read_day,
    read_money,
    read_number,
    read_truth,
)
from roadworn.intake.csv_map import ENVELOPE, SPECIAL, CsvMap
from roadworn.intake.map_sections import fold, scaled, shaped
from roadworn.model.amounts import choose, read_odometer, read_warranty
from roadworn.model.catalogue import catalogue
from roadworn.model.errors import ProblemsFound, UnknownName, UsageError
from roadworn.model.events import NewEvent, VehicleId
from roadworn.model.kinds import EventKind, KindRegistry, PayloadField, fields_of
from roadworn.model.messages import Problem, shown
from roadworn.model.payloads import Maintenance, Repair, Replacement
from roadworn.model.places import PositionError, normalise_position
from roadworn.reading import read_finding, read_item, read_measurements
from roadworn.reading.fields import JsonValue
from roadworn.reading.scans import read_scan
from roadworn.store.aside import folded

#: What a vehicle id looks like, as `roadworn.model.events.VehicleId` has it.
_VEHICLE = re.compile(get_args(VehicleId)[1].metadata[0].pattern)


#: Fields of the three kinds of work: one that a kind lacks is kept in its note where a map gives
#: several kinds.
_OF_WORK = frozenset(
    name for kind in (Replacement, Repair, Maintenance) for name in kind.model_fields
)
_FIGURE_UNIT = re.compile(r"(.*\d)\s*([A-Za-z]*)")


_FINDING_PARTS = frozenset({"component", "position", "condition", "measurement"})


class Words:
    """Distinct words of a file, each resolved once: reading a phrase costs more than a row.

    Attributes:
        read: what was read by what, or the error that it raised.
    """

    def __init__(self, plates: Callable[[], Mapping[str, str]] | None = None) -> None:
        self.read: dict[tuple[str, str], tuple[Any, Exception | None]] = {}
        self._plates = plates
        self._of_plate: Mapping[str, str] | None = None

    def once(self, by: str, text: str, read: Callable[[], Any]) -> Any:  # noqa: ANN401
        """Return what `read` gives of a text, raising what it raised the first time."""
        key = by, text
        if key not in self.read:
            try:
                self.read[key] = read(), None
            except (CellError, UsageError, ProblemsFound, PositionError) as error:
                self.read[key] = None, error
        found, wrong = self.read[key]
        if wrong is not None:
            raise wrong
        return dict(found) if isinstance(found, dict) else found

    def of_plate(self, text: str) -> str:
        """Return the vehicle that has a number plate, or an empty text."""
        if self._of_plate is None:
            self._of_plate = self._plates() if self._plates is not None else {}
        return self._of_plate.get(folded(text), "")


class RowReader:
    """One row on its way to an event; collects every problem instead of stopping at the first.

    Attributes:
        problems: why it cannot be taken.
        doubts: what was read otherwise than it is spelled.
    """

    def __init__(
        self,
        file: str,
        line: int,
        csv_map: CsvMap,
        kinds: KindRegistry,
        words: Words | None = None,
    ) -> None:
        self.words = words or Words()
        self.file = file
        self.line = line
        self.map = csv_map
        self.kinds = kinds
        self.problems: list[Problem] = []
        self.doubts: list[Problem] = []
        self._more_note: list[str] = []
        self._labour_alone: tuple[Decimal, str] | None = None

    def problem(self, target: str, code: str, message: str, hint: str = "") -> None:
        """Note a problem at the cell that feeds `target`."""
        column = self.map.header_of(target) if target else ""
        self.problems.append(Problem(code, message, hint, self.file, self.line, column))

    def event(self, given: dict[str, Cell], seen: Counter[str]) -> NewEvent | None:
        """Return the event of the row, or None after noting its problems."""
        words = {target: self._word(target, cell) for target, cell in given.items()}
        kind = self._kind(words)
        if kind is None:
            return None
        payload = self._payload(kind, words)
        envelope = self._envelope(words)
        if isinstance(payload.get("vin"), str):
            # As typed input takes it; export files keep theirs as it stands.
            payload["vin"] = payload["vin"].upper()
        if not self.problems:
            checked = validated_payload(kind, kind.version, payload)
            if isinstance(checked, list):
                for found in checked:
                    target = found.column.removeprefix("payload.").partition("[")[0]
                    self.problem(target, found.code, found.message, found.hint)
            else:
                payload = checked
        if self.problems:
            return None
        fields = {**envelope, "kind": kind.name, "payload": payload}
        key = _content_key(fields)
        seen[key] += 1
        fields |= {"source": "csv", "intake_key": f"csv:{key}:{seen[key]}"}
        try:
            return NewEvent.model_validate(fields)
        except ValidationError as error:
            for found in problems_of(error, NewEvent, "An event"):
                self.problem(found.column, found.code, found.message, found.hint)
            return None

    def _word(self, target: str, cell: Cell) -> Cell:
        """Return a cell with the map's words and shapes for that field put in."""
        table: Mapping[str, str] = self.map.values.get(target, {})
        shapes = self.map.patterns.get(target)
        if not table and not shapes:
            return cell
        text = cell_text(cell)
        found = table.get(fold(text))
        if found is None and shapes:
            found = self.words.once(f"shape of {target}", text, lambda: shaped(text, shapes))
        return cell if found is None else found

    def _kind(self, words: dict[str, Cell]) -> EventKind | None:
        name = self.map.kind or cell_text(words.get("kind")).casefold()
        try:
            return self.kinds.get("_".join(name.replace("-", " ").split()))
        except UnknownName as error:
            near = f"did you mean {' or '.join(error.near)}? " if error.near else ""
            hint = f"{near}Map their word in [values.kind]"
            self.problem("kind", "unknown-kind", f"There is no event kind {name!r}.", hint)
            return None

    def _envelope(self, words: dict[str, Cell]) -> dict[str, Any]:
        vehicle = cell_text(words.get("vehicle_id")) or self._by_plate(words)
        fields: dict[str, Any] = {
            "vehicle_id": self.map.vehicles.get(fold(vehicle), vehicle),
            "recorded_by": cell_text(words.get("recorded_by"))[:60],
        }
        if self.problems and self.problems[-1].code == "unknown-plate":
            pass
        elif not vehicle:
            self.problem("vehicle_id", "missing-field", "The row names no vehicle.", "fill it in")
        elif not _VEHICLE.fullmatch(fields["vehicle_id"]):
            message = f"{fields['vehicle_id'][:60]!r} is no vehicle of a ledger."
            hint = "say which one it is in [vehicles] of the map"
            self.problem("vehicle_id", "bad-form", message, hint)
        if not cell_text(words.get("occurred_at")):
            self.problem("occurred_at", "missing-field", "The row has no date.", "fill it in")
        else:
            fields["occurred_at"] = self._try(
                "occurred_at", lambda: read_day(words["occurred_at"], self.map)
            )
        if cell_text(words.get("odometer")):
            unit = cell_text(words.get("odometer_unit")) or self.map.units.get("odometer", "")
            read = self._try("odometer", lambda: self._distance(words["odometer"], unit))
            if read is not None:
                fields["odometer"], fields["odometer_unit"] = read
        return fields

    def _by_plate(self, words: dict[str, Cell]) -> str:
        """Return the vehicle whose plate a row names, or an empty text after noting why not."""
        plate = cell_text(words.get("plate"))
        if not plate:
            return ""
        named = self.map.vehicles.get(fold(plate)) or self.words.of_plate(plate)
        if not named:
            message = f"No vehicle has the number plate {shown(plate)}."
            hint = "say whose it is in [vehicles] of the map, or with `roadworn record plate`"
            self.problem("plate", "unknown-plate", message, hint)
        return named

    def _distance(self, cell: Cell, unit: str) -> tuple[float, str]:
        text = cell_text(cell)
        scale, unit = scaled(unit)
        split = _FIGURE_UNIT.fullmatch(text)
        figure, own = (split[1], split[2]) if split else (text, "")
        if not figure[-1:].isdigit():
            return read_odometer(text, unit)
        # The map's decimal comma is that of a figure with its unit in the cell, too.
        read = read_odometer(
            f"{read_number(figure if own else cell, self.map)} {own}".strip(), unit
        )
        if scale != 1 and not own:
            return float(round(Decimal(str(read[0])) * scale, 3)), read[1]
        self._thousands(figure, read)
        return read

    def _thousands(self, figure: str, read: tuple[float, str]) -> None:
        """Note a figure of three decimals, which no odometer shows."""
        comma = self.map.decimal_comma
        if marked_thousands(figure, "," if comma else ".") is None:
            return
        message = f"{shown(figure)} was read as {read[0]:,.10g} {read[1]}, of three decimals."
        hint = (
            "if its mark is one of thousands, say decimal_comma = "
            f"{'false' if comma else 'true'} in [file] of the map"
        )
        column = self.map.header_of("odometer")
        self.doubts.append(Problem("three-decimals", message, hint, column=column))

    def _payload(self, kind: EventKind, words: dict[str, Cell]) -> dict[str, Any]:
        fields = fields_of(kind.model)
        payload: dict[str, Any] = {}
        finding: dict[str, Cell] = {}
        for target, cell in words.items():
            if target in ENVELOPE or target in {"currency", "plate"}:
                continue
            if target == "labour_cost":
                self._labour(cell, words, payload)
                continue
            if kind.name == "inspection" and target in _FINDING_PARTS:
                finding[target] = cell
            elif target in SPECIAL:
                self._special(target, cell, payload)
            elif self._elsewhere(target, fields):
                self._keep_in_note(target, cell)
            elif target in fields and fields[target].type != "texts":
                value = self._try(target, partial(self._field, fields[target], cell, words))
                if value is not None:
                    payload[target] = value
            else:
                single = [name for name, field in fields.items() if field.type != "texts"]
                known = ", ".join([*ENVELOPE, *single, *SPECIAL])
                self.problem(
                    target,
                    "unknown-field",
                    f"A {kind.name} has no field {target!r}.",
                    f"the map can feed {known}",
                )
        if finding:
            self._finding(finding, payload)
        self._place(payload)
        if self._labour_alone is not None:
            amount, currency = self._labour_alone
            before = payload.get("other_cost") or {"amount": "0"}
            payload["other_cost"] = {
                "amount": f"{Decimal(before['amount']) + amount:f}",
                "currency": currency,
            }
        if self._more_note:
            payload["note"] = "; ".join(filter(None, (payload.get("note"), *self._more_note)))
        return payload

    def _elsewhere(self, target: str, fields: Mapping[str, PayloadField]) -> bool:
        """Return whether a field is one of other kinds of work that the same map gives."""
        if target in fields or target not in _OF_WORK:
            return False
        return bool(self.map.cases or self.map.events) or "jobs" in self.map.feeds()

    def _keep_in_note(self, target: str, cell: Cell) -> None:
        """Keep in the note what the kind of this row has no field for, but for a constant."""
        if cell == self.map.constants.get(target):
            return
        self._more_note.append(f"{target.replace('_', ' ')}: {cell_text(cell)}")

    def _labour(self, cell: Cell, words: dict[str, Cell], payload: dict[str, Any]) -> None:
        """Make a rate of an amount of labour and its hours; without hours it is another cost."""
        currency = cell_text(words.get("currency")) or self.map.currency
        money = self._try("labour_cost", lambda: read_money(cell, self.map, currency))
        if not isinstance(money, dict):
            return
        amount = Decimal(str(money["amount"]))
        hours = Decimal(0)
        if cell_text(words.get("labour_hours")):
            told = self._try(
                "labour_hours", lambda: str(read_number(words["labour_hours"], self.map))
            )
            hours = Decimal(str(told or 0))
        if hours > 0:
            rate = (amount / hours).quantize(Decimal("0.0001")).normalize()
            payload["labour_rate"] = {**money, "amount": f"{rate:f}"}
        elif amount:
            self._labour_alone = amount, str(money["currency"])

    def _field(self, field: PayloadField, cell: Cell, words: dict[str, Cell]) -> JsonValue:
        what = field.type
        if what == "money":
            currency = cell_text(words.get("currency")) or self.map.currency
            return read_money(cell, self.map, currency)
        if what == "integer":
            number = read_number(cell, self.map)
            return int(number) if number == int(number) else float(number)
        if what in {"number", "distance"}:
            return float(read_number(cell, self.map))
        if what == "day":
            return read_day(cell, self.map)[:10]
        if what == "truth":
            return read_truth(cell)
        if what == "word":
            return choose(cell_text(cell), field.words, field.name)
        if what == "component":
            return self._component(cell, field.name)
        return cell_text(cell) if field.name != "note" else str(cell)

    def _component(self, cell: Cell, target: str) -> JsonValue:
        text = cell_text(cell)
        phrase = self.map.components.get(fold(text), text)
        item = self.words.once("item", phrase, lambda: read_item(phrase))
        self._spelled(target, phrase)
        return item["component"] if target == "along_with" else item

    def _spelled(self, target: str, phrase: str) -> None:
        """Note that a component was taken from nearly its name, which a person sees as typed."""
        read = self.words.once(
            "phrase", phrase, lambda: catalogue().resolve_phrase(phrase, allow_other=True)
        )
        if read.component is not None and not read.exact:
            message = f"The component {shown(phrase)} was read as {read.component.name}."
            hint = "a slip of another one: say what it is in [components] of the map"
            column = self.map.header_of(target)
            self.doubts.append(Problem("read-as", message, hint, column=column))

    def _place(self, payload: dict[str, Any]) -> None:
        """Spread a component phrase, and bring a position column to its canonical spelling."""
        item = payload.get("component")
        if isinstance(item, dict):
            position = payload.pop("position", None)
            payload |= item
            if position is not None:
                payload["position"] = position
        if "position" in payload and isinstance(payload.get("component"), str):
            scheme = catalogue().get(payload["component"]).positions
            place = payload["position"]
            payload["position"] = self._try(
                "position",
                lambda: self.words.once(
                    scheme, str(place), lambda: normalise_position(place, scheme)
                ),
            )

    def _special(self, target: str, cell: Cell, payload: dict[str, Any]) -> None:
        text = cell_text(cell)
        readers: dict[str, Callable[[], dict[str, Any]]] = {
            "item": lambda: self._component(cell, "item"),
            "finding": lambda: {"findings": [read_finding(text)]},
            "codes": lambda: read_scan([text])[0],
            "warranty": lambda: read_warranty(text, self.map.units.get("warranty_distance", "")),
        }
        if target not in readers:
            self.problem(target, "unknown-field", f"{target!r} belongs to an inspection.")
            return
        payload |= self._try(target, readers[target]) or {}
        if target == "finding" and payload:
            self._spelled(target, self.map.components.get(fold(text), text))

    def _finding(self, cells: dict[str, Cell], payload: dict[str, Any]) -> None:
        """Make one finding out of the columns of an inspection row."""
        text = cell_text(cells.get("component"))
        place = f" {cell_text(cells['position'])}" if "position" in cells else ""
        phrase = self.map.components.get(fold(text), text)
        condition = cell_text(cells.get("condition"))
        whole = f"{phrase}{place} {condition}"
        finding = self._try(
            "component",
            lambda: self.words.once("finding", whole, lambda: read_finding(whole)),
        )
        if finding is None:
            return
        self._spelled("component", phrase)
        if "measurement" in cells:
            measured = cell_text(cells["measurement"])
            if measured[-1:].isdigit():
                unit = self.map.units.get("measurement", "")
                number = self._try(
                    "measurement", lambda: read_number(cells["measurement"], self.map)
                )
                measured = f"{number} {unit}"
            found = self._try("measurement", lambda: read_measurements(measured))
            if found:
                finding["measurements"] = found
        payload["findings"] = [finding]

    def _try(self, target: str, read: Callable[[], JsonValue]) -> JsonValue:
        """Return what `read` gives, or None after noting why it could not."""
        try:
            return read()
        except CellError as error:
            self.problem(target, error.code, error.message, error.hint)
        except UnknownName as error:
            code = "unknown-component"
            self.problem(target, code, error.message, "say what it is in [components] of the map")
        except ProblemsFound as error:
            for found in error.problems:
                self.problem(target, found.code, found.message, found.hint)
        except (UsageError, PositionError) as error:
            hint = f"map their word in [values.{target}]"
            self.problem(target, "bad-value", str(error), hint)
        return None


def _content_key(fields: Mapping[str, Any]) -> str:
    """Return a digest of what a row says; the same row of another file has the same one."""
    text = orjson.dumps(
        {name: value for name, value in fields.items() if name != "recorded_by"},
        option=orjson.OPT_SORT_KEYS,
    )
    return hashlib.sha256(text).hexdigest()[:32]
