"""The number plates of many vehicles at once, from a table with a vehicle and its plate a row.

A plate leads to a person, so it comes in by this door and never by an event: each row is held to
what one typed plate is, and of a table with a fault nothing is kept.
"""

from pathlib import Path
from typing import TYPE_CHECKING

from roadworn.intake.csv_file import cell_text
from roadworn.intake.look_columns import role_of
from roadworn.intake.look_layout import find_layout, plain_map
from roadworn.intake.table_records import Table
from roadworn.model.errors import ProblemsFound, UnknownName, UsageError
from roadworn.model.messages import Problem, Says
from roadworn.store.aside import folded, read_plate

if TYPE_CHECKING:
    from roadworn.intake import Ledger

_say = Says(
    "plate-list",
    {
        "columns": "{file} needs one column of vehicles and one of number plates: name them "
        "vehicle and plate in its first line; its columns are {names}",
        "no-vehicle": "The row names no vehicle",
        "no-plate": "The row has no number plate",
        "unknown": "There is no vehicle {vehicle}",
        "not-a-plate": "That is no number plate",
        "twice": "{vehicle} stands in line {before} with another plate",
        "shared": "The plate stands in line {before} for {vehicle}",
        "held": "The plate is kept for {vehicle} already",
        "one": "leave one of the two rows",
        "fill": "fill it in, or leave the row out",
        "enrol": "enrol it first, or correct its name",
        "as-it-stands": "write it as it stands there, its state or country behind it",
        "erase-first": "leave the row out, or give that vehicle its new plate in the same table",
        "faults": "{file}: {n} {n:row|rows} of {rows} with a fault; nothing was kept",
    },
)


def keep_plates(ledger: "Ledger", path: Path) -> dict[str, str]:
    """Keep the plates of a table in the place of those before; return vehicle -> plate.

    Raises:
        ProblemsFound: a row has a fault; nothing was kept.
        UsageError: it is no table of vehicles and plates.
        EnvironmentFailure: it cannot be read, or plates are sealed with keys that are not here.
    """
    table = Table(path, plain_map(find_layout(path).layout))
    heads = {
        role: [name for name in table.names if name and role_of(name) == role]
        for role in ("vehicle_id", "plate")
    }
    if any(len(names) != 1 for names in heads.values()):
        names = ", ".join(name for name in table.names if name)
        raise UsageError(_say("columns", file=path.name, names=names))
    vehicle, plate = heads["vehicle_id"][0], heads["plate"][0]
    rows = [
        (one.line, cell_text(one.cells.get(vehicle)), cell_text(one.cells.get(plate)))
        for one in table.records()
        if not one.skipped
    ]
    found, problems = _judged(ledger, path.name, rows)
    if problems:
        what = _say("faults", file=path.name, n=len({p.row for p in problems}), rows=len(rows))
        raise ProblemsFound(f"{what}: {problems[0]}", problems)
    ledger.plates.set_all(found)
    return found


def _judged(
    ledger: "Ledger", file: str, rows: list[tuple[int, str, str]]
) -> tuple[dict[str, str], list[Problem]]:
    """Return vehicle -> plate of the rows, and what is wrong with them."""
    found: dict[str, tuple[int, str]] = {}
    of_plate: dict[str, tuple[int, str]] = {}
    problems: list[Problem] = []

    def fault(line: int, code: str, hint: str, column: str = "plate", **told: object) -> None:
        problems.append(Problem(code, f"{_say(code, **told)}.", _say(hint), file, line, column))

    for line, name, text in rows:
        if not name or not text:
            missing = "plate" if name else "vehicle"
            fault(line, f"no-{missing}", "fill", missing)
            continue
        try:
            vehicle = ledger.require_vehicle(name)
        except UnknownName:
            fault(line, "unknown", "enrol", "vehicle", vehicle=name)
            continue
        try:
            plate = read_plate(text)
        except UsageError:
            fault(line, "not-a-plate", "as-it-stands")
            continue
        before, other = found.get(vehicle), of_plate.get(folded(plate))
        if before is not None and before[1] != plate:
            fault(line, "twice", "one", vehicle=vehicle, before=before[0])
        elif other is not None and other[1] != vehicle:
            fault(line, "shared", "one", vehicle=other[1], before=other[0])
        else:
            found[vehicle] = line, plate
            of_plate[folded(plate)] = line, vehicle
    for plate, vehicle in ledger.plates.vehicles().items():
        if plate in of_plate and of_plate[plate][1] != vehicle and vehicle not in found:
            fault(of_plate[plate][0], "held", "erase-first", vehicle=vehicle)
    return {vehicle: plate for vehicle, (_line, plate) in found.items()}, problems
