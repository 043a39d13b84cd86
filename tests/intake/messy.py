# ruff: noqa: E501  # a table a line reads best
"""Messy exports of our own making, each with what must be understood.

Run by itself, `python tests/intake/messy.py`, it prints the share understood of each.

One small book of work is written as many old systems and spreadsheets would; what a look and a
map bring back is held against the book. All of it is invented.
"""

import sys
import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any, NamedTuple
from zipfile import ZIP_DEFLATED, ZipFile

from roadworn.intake import Ledger
from roadworn.intake.files import ImportReport, import_files
from roadworn.intake.look import look
from roadworn.intake.look_ask import Known
from roadworn.intake.look_draft import Draft
from roadworn.intake.look_files import aliases_text, map_text
from roadworn.model.errors import RoadwornError
from roadworn.model.events import NewEvent
from roadworn.model.kinds import KindRegistry


class Job(NamedTuple):
    order: int
    unit: int
    day: date
    miles: int
    words: str
    kind: str
    component: str
    position: str
    amount: Decimal
    supplier: str


def _job(order: int, unit: int, day: str, miles: int, *rest: str) -> Job:
    words, kind, component, position, amount, supplier = rest
    on = date.fromisoformat(day)
    return Job(order, unit, on, miles, words, kind, component, position, Decimal(amount), supplier)


#: The book. 1004 is one work order of two jobs.
BOOK = [
    _job(1001, 12, "2023-03-25", 92_000, "R&R LF whl brg", "replacement", "wheel.bearing", "LF",
         "185.50", "Lowmoor Spares"),
    _job(1002, 7, "2023-04-14", 61_250, "oil change", "maintenance", "engine.oil", "", "60.00",
         "Northquay Parts"),
    _job(1003, 12, "2023-05-02", 93_100, "replaced alternator", "replacement",
         "electrical.alternator", "", "1300.00", "Northquay Parts"),
    _job(1004, 3, "2023-06-30", 40_500, "brk pads frt replaced", "replacement", "brake.pad",
         "front", "120.00", "Lowmoor Spares"),
    _job(1004, 3, "2023-06-30", 40_500, "replaced brake rotors front", "replacement",
         "brake.rotor", "front", "120.00", "Lowmoor Spares"),
    _job(1005, 7, "2023-07-03", 64_800, "coolant pump replaced", "replacement",
         "cooling.water_pump", "", "210.00", "Tidewrack Supply"),
    _job(1006, 3, "2023-12-11", 46_020, "adj clutch", "maintenance", "drivetrain.clutch", "",
         "45.00", "Northquay Parts"),
]  # fmt: skip
EARLY = [job for job in BOOK if job.day.day <= 12]
PLATES = {3: "HB 40 LKD", 7: "HB 41 PRT", 12: "HB 44 ZOE"}

Fact = tuple[Any, ...]
Cells = Sequence[Sequence[object]]


@dataclass
class Messy:
    """A messy export.

    Attributes:
        name: what is messy about it.
        files: name -> bytes; the first ones are looked at.
        book: what it holds.
        told: which fields of a job it tells, besides vehicle, day, kind, component and place.
        answers: beginning or part of a question -> what a manager answers.
        kind: ``work``, else ``odometer_reading`` or ``enrolment``.
    """

    name: str
    files: Mapping[str, bytes]
    book: Sequence[Job] = field(default_factory=lambda: BOOK)
    told: Sequence[str] = ("miles", "amount")
    answers: Mapping[str, str] = field(default_factory=dict)
    kind: str = "work"


# Writing


def text(rows: Cells, sign: str = ",", encoding: str = "utf-8", end: str = "\r\n") -> bytes:
    lines = []
    for row in rows:
        cells = []
        for cell in row:
            said = str(cell)
            if sign in said or "\n" in said or '"' in said:
                said = '"' + said.replace('"', '""') + '"'
            cells.append(said)
        lines.append(sign.join(cells))
    return (end.join(lines) + end).encode(encoding)


def workbook(sheets: Mapping[str, Cells]) -> bytes:
    """Return the smallest workbook of ECMA-376 part 1 (SpreadsheetML) with inline texts."""
    from io import BytesIO
    from xml.sax.saxutils import escape

    main = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    relations = "http://schemas.openxmlformats.org/package/2006/relationships"
    office = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
    package = "application/vnd.openxmlformats-officedocument.spreadsheetml"

    def cell(value: object) -> str:
        if isinstance(value, int | float | Decimal):
            return f"<c><v>{value}</v></c>"
        return f'<c t="inlineStr"><is><t xml:space="preserve">{escape(str(value))}</t></is></c>'

    names = list(sheets)
    overrides = "".join(
        f'<Override PartName="/xl/worksheets/sheet{n}.xml" ContentType="{package}.worksheet+xml"/>'
        for n in range(1, len(names) + 1)
    )
    parts = {
        "[Content_Types].xml": '<Types xmlns="http://schemas.openxmlformats.org/package/2006/'
        'content-types"><Default Extension="rels" ContentType="application/vnd.openxmlformats-'
        'package.relationships+xml"/><Default Extension="xml" ContentType="application/xml"/>'
        f'<Override PartName="/xl/workbook.xml" ContentType="{package}.sheet.main+xml"/>'
        f"{overrides}</Types>",
        "_rels/.rels": f'<Relationships xmlns="{relations}"><Relationship Id="r1" '
        f'Type="{office}/officeDocument" Target="xl/workbook.xml"/></Relationships>',
        "xl/workbook.xml": f'<workbook xmlns="{main}" xmlns:r="{office}"><sheets>'
        + "".join(
            f'<sheet name="{name}" sheetId="{n}" r:id="r{n}"/>' for n, name in enumerate(names, 1)
        )
        + "</sheets></workbook>",
        "xl/_rels/workbook.xml.rels": f'<Relationships xmlns="{relations}">'
        + "".join(
            f'<Relationship Id="r{n}" Type="{office}/worksheet" Target="worksheets/sheet{n}.xml"/>'
            for n in range(1, len(names) + 1)
        )
        + "</Relationships>",
    }
    for n, name in enumerate(names, 1):
        rows = "".join(f"<row>{''.join(map(cell, row))}</row>" for row in sheets[name])
        parts[f"xl/worksheets/sheet{n}.xml"] = (
            f'<worksheet xmlns="{main}"><sheetData>{rows}</sheetData></worksheet>'
        )
    made = BytesIO()
    with ZipFile(made, "w", ZIP_DEFLATED) as archive:
        for part, content in parts.items():
            archive.writestr(part, f'<?xml version="1.0" encoding="UTF-8"?>{content}')
    return made.getvalue()


HEAD = ["WO", "Unit", "Date", "Odometer", "Work done", "Total", "Supplier"]
MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"]


def table(
    book: Sequence[Job] = BOOK,
    head: Sequence[str] = HEAD,
    unit: Callable[[Job], object] = lambda job: f"unit-{job.unit}",
    day: Callable[[Job], object] = lambda job: job.day.isoformat(),
    miles: Callable[[Job], object] = lambda job: job.miles,
    words: Callable[[Job], object] = lambda job: job.words,
    amount: Callable[[Job], object] = lambda job: job.amount,
    supplier: Callable[[Job], object] = lambda job: job.supplier,
) -> list[list[object]]:
    """Return the book as a plain table, each column written by its own rule."""
    rows: list[list[object]] = [list(head)]
    for job in book:
        cells = (job.order, unit(job), day(job), miles(job), words(job), amount(job), supplier(job))
        rows.append(list(cells))
    return rows


def orders(book: Sequence[Job] = BOOK) -> list[list[Job]]:
    """Return the jobs of each work order."""
    made: dict[int, list[Job]] = {}
    for job in book:
        made.setdefault(job.order, []).append(job)
    return list(made.values())


def sum_of(jobs: Sequence[Job]) -> Decimal:
    return sum((job.amount for job in jobs), Decimal(0))


_PLAIN = {"currency": "USD", "which unit": "mi", "of the whole order": "line"}


def cases() -> list[Messy]:
    """Return all messy exports."""
    made: list[Messy] = []

    def add(name: str, file: str, content: bytes | Mapping[str, bytes], **more: Any) -> None:
        files = {file: content} if isinstance(content, bytes) else content
        more["answers"] = _PLAIN | more.get("answers", {})
        made.append(Messy(name, files, **more))

    def dmy(job: Job) -> str:
        return job.day.strftime("%d/%m/%Y")

    def comma(job: Job) -> str:
        return f"{job.amount:,.2f}".replace(",", " ").replace(".", ",").replace(" ", ".")

    def short(job: Job) -> str:
        return f"{job.day.day}-{MONTHS[job.day.month - 1]}-{job.day.year % 100}"

    add("plain comma", "work.csv", text(table()))
    german = [
        "Auftrag",
        "Fahrzeug",
        "Datum",
        "Kilometerstand",
        "Ausgeführte Arbeit",
        "Betrag",
        "Lieferant",
    ]
    dots = table(head=german, day=lambda j: j.day.strftime("%d.%m.%Y"), amount=comma)
    for page in ("cp1252", "cp850", "mac_roman"):
        add(f"semicolons, comma, {page}", "arbeit.csv", text(dots, ";", page), told=("km", "amount"),
            answers={"currency": "EUR"})  # fmt: skip
    titled = [["Haldersey Transport"], ["Printed 12 March 2024"], [""], *table(day=dmy),
              ["Total", "", "", "", "", sum_of(BOOK), ""]]  # fmt: skip
    add("title above, total below", "history.csv", text(titled))
    add("tabs in a .txt", "export.txt", text(table(), "\t"))
    add("bars in a .txt", "export.txt", text(table(day=dmy), "|"))
    add("UTF-16 with tabs", "unicode.txt", text(table(), "\t", "utf-16"))
    add("byte order mark", "bom.csv", text(table(), ",", "utf-8-sig"))
    add("line feeds alone", "unix.csv", text(table(), end="\n"))
    add("two forms of days", "days.csv",
        text(table(day=lambda j: short(j) if j.order % 2 else dmy(j))))  # fmt: skip
    add("months first", "us.csv", text(table(day=lambda j: j.day.strftime("%m/%d/%Y"))))
    add(
        "months first, two digits", "us2.csv", text(table(day=lambda j: j.day.strftime("%m/%d/%y")))
    )
    add("day or month, nobody can see", "which.csv", text(table(EARLY, day=dmy)), book=EARLY,
        answers={"day or month": "dmy"})  # fmt: skip
    add("written as numbers", "compact.csv", text(table(day=lambda j: j.day.strftime("%Y%m%d"))))
    add("month in words", "long.csv",
        text(table(day=lambda j: f"{MONTHS[j.day.month - 1]} {j.day.day}, {j.day.year}")))  # fmt: skip
    both = table(day=lambda j: dmy(j) if j.unit == 12 else j.day.strftime("%m/%d/%Y"))
    both = [[*row, "System"] if at == 0 else [*row, "old" if row[1] == "unit-12" else "new"]
            for at, row in enumerate(both)]  # fmt: skip
    add("day first in one system, month in another", "merged.csv", text(both))
    lines: list[list[object]] = [list(HEAD)]
    for jobs in orders():
        for at, job in enumerate(jobs):
            lead = [job.order, f"unit-{job.unit}", dmy(job), job.miles] if not at else [""] * 4
            lines.append([*lead, job.words, sum_of(jobs) if not at else "", job.supplier])
    add("merged cells, amount once an order", "lines.csv", text(lines))
    for sign, called in ((";", "semicolons"), ("\n", "lines"), (" / ", "strokes")):
        cells = [list(HEAD)] + [
            [j[0].order, f"unit-{j[0].unit}", dmy(j[0]), j[0].miles,
             sign.join(job.words for job in j), sum_of(j), j[0].supplier]
            for j in orders()
        ]  # fmt: skip
        add(f"several jobs in a cell by {called}", "cells.csv", text(cells))
    inside = [row[:3] + row[4:] for row in table(
        words=lambda j: f"{j.words} {j.miles // 1000}k" if j.miles % 1000 == 0 else f"{j.words} @ {j.miles:,}"
    )]  # fmt: skip
    add("miles among the words", "inside.csv", text(inside))
    spelled = {0: "UNIT 0{}", 1: "U-{}", 2: "#{}", 3: "{}", 4: "Unit {}"}
    add("vehicles in five spellings", "five.csv",
        text(table(unit=lambda j: spelled[(j.order + j.unit) % 5].format(j.unit))),
        answers={"one vehicle where": "yes"})  # fmt: skip
    headed: list[list[object]] = [["WO", "Date", "Odometer", "Work done", "Total"]]
    for unit in (3, 7, 12):
        headed.append([f"Unit {unit}", "", "", "", ""])
        headed += [[j.order, dmy(j), j.miles, j.words, j.amount] for j in BOOK if j.unit == unit]
    add("vehicles as headings between rows", "headed.csv", text(headed))
    add("number plates", "plates.csv",
        text(table(head=["WO", "Reg no", *HEAD[2:]], unit=lambda j: PLATES[j.unit].replace(" ", ""))))  # fmt: skip
    order_rows: list[list[object]] = [["Order No", "Unit", "Date", "Odometer", "Total"]]
    line_rows: list[list[object]] = [["Order No", "Work done", "Supplier"]]
    for jobs in orders():
        j = jobs[0]
        order_rows.append([j.order, f"unit-{j.unit}", dmy(j), j.miles, sum_of(jobs)])
        line_rows += [[job.order, job.words, job.supplier] for job in jobs]
    add("two files joined by order", "lines.csv",
        {"lines.csv": text(line_rows), "orders.csv": text(order_rows)})  # fmt: skip
    add("two sheets joined by order", "book.xlsx",
        {"book.xlsx": workbook({"Orders": order_rows, "Lines": line_rows})})  # fmt: skip
    first = [["" if at and row[0] == line_rows[at - 1][0] else row[0], *row[1:]]
             for at, row in enumerate(line_rows)]  # fmt: skip
    add("joined, the number on the first line only", "lines.xlsx",
        {"lines.xlsx": workbook({"Orders": order_rows, "Lines": first})})  # fmt: skip
    add("days as a spreadsheet counts them", "serial.xlsx",
        {"serial.xlsx": workbook({"Work": table(day=lambda j: (j.day - date(1899, 12, 30)).days)})})  # fmt: skip
    add("title and notes in a workbook", "titled.xlsx", {
        "titled.xlsx": workbook({"Work": [["Haldersey Transport"], ["2023"], *table()]})})  # fmt: skip
    add("words for nothing", "nothing.csv",
        text(table(miles=lambda j: "?" if j.order == 1002 else j.miles,
                   supplier=lambda j: "N/A" if j.order > 1004 else j.supplier)),
        told=("miles-but-1002", "amount"))  # fmt: skip
    add("signs and thousands", "signs.csv",
        text(table(miles=lambda j: f"{j.miles:,} mi", amount=lambda j: f"${j.amount:,.2f}")))  # fmt: skip
    add("amounts with their currency", "code.csv",
        text(table(head=[*HEAD[:5], "Total USD", HEAD[6]], amount=lambda j: f"USD {j.amount}")))  # fmt: skip
    five: dict[str, list[str]] = {
        "Lowmoor Spares": [
            "Lowmoor Spares",
            "LOWMOOR SPARES",
            "Lowmoor Spares Ltd.",
            "lowmoor spares",
            "Lowmoor",
        ]
    }
    add("a supplier in five spellings", "names.csv",
        text(table(supplier=lambda j: five[j.supplier][BOOK.index(j) % 5] if j.supplier in five else j.supplier)),
        told=("miles", "amount", "supplier"), answers={"the same as": "yes"})  # fmt: skip
    again = [list(HEAD)] + [
        [j.order, f"unit-{j.unit}", dmy(j), j.miles, j.words, sum_of(jobs), j.supplier]
        for jobs in orders() for j in jobs
    ]  # fmt: skip
    add("the order's amount on each line", "again.csv", text(again),
        answers={"of the whole order": "order"})  # fmt: skip
    upper: list[list[object]] = [["", "", "", "Meter", "", "Cost", ""],
                                 ["WO", "Unit", "Date", "Reading", "Work done", "Total", "Supplier"]]  # fmt: skip
    add("two lines of headings", "upper.csv", text([*upper, *table(day=dmy)[1:]]))
    add("no headings", "bare.csv", text([row[1:5] for row in table(day=dmy)[1:]]), told=("miles",))
    paged = table(day=dmy)
    paged = [*paged[:4], ["Page 1 of 2"], list(HEAD), *paged[4:], ["Page 2 of 2"]]
    add("headings once more on each page", "paged.csv", text(paged))
    spanish = {"R&R LF whl brg": "cambio de rodamiento de rueda LF", "oil change": "cambio de aceite",
               "brk pads frt replaced": "cambio de pastillas delanteras"}  # fmt: skip
    add("Spanish", "trabajos.csv",
        text(table(head=["Orden de trabajo", "Unidad", "Fecha", "Kilometraje", "Descripción", "Importe", "Proveedor"],
                   day=dmy, amount=comma, words=lambda j: spanish.get(j.words, j.words)), ";"),
        told=("km", "amount"),
        answers={"currency": "EUR", "rodamiento": "replacement wheel.bearing LF"})  # fmt: skip
    german_words = {"oil change": "Ölwechsel", "coolant pump replaced": "Wasserpumpe ersetzt"}
    add("German words", "werkstatt.csv",
        text(table(head=german, day=lambda j: j.day.strftime("%d.%m.%y"), amount=comma,
                   words=lambda j: german_words.get(j.words, j.words)), ";", "cp1252"),
        told=("km", "amount"),
        answers={"currency": "EUR", "Ölwechsel": "maintenance engine.oil",
                 "Wasserpumpe": "replacement cooling.water_pump"})  # fmt: skip
    reasons = table(
        head=[*HEAD[:6], "Type"],
        supplier=lambda j: "PM" if j.kind == "maintenance" else "Road call",
    )
    add(
        "why, in words of their own", "types.csv", text(reasons), told=("miles", "amount", "failed")
    )
    ragged = [[*row, "", ""] for row in table(day=dmy)]
    ragged[0][-1] = "Spare"
    add("empty columns and one too many", "ragged.csv", text(ragged))
    unsaid = {
        "R&R LF whl brg": "LF whl brg",
        "replaced alternator": "alternator",
        "coolant pump replaced": "coolant pump",
    }
    add("parts alone, not what was done", "parts.csv",
        text(table(words=lambda j: unsaid.get(j.words, j.words))),
        answers={"was it replaced": "replacement"})  # fmt: skip
    unread = {"oil change": "PM A", "adj clutch": "gen chk and road test"}
    add("words of the shop", "own.csv",
        text(table(words=lambda j: unread.get(j.words, j.words))),
        answers={"PM A": "maintenance engine.oil", "gen chk": "maintenance adjusted drivetrain.clutch"})  # fmt: skip
    add("readings alone", "fuel.csv",
        text([["Vehicle", "Date", "Odometer (mi)", "Gallons"],
              *[[f"Unit {j.unit:03}", dmy(j), j.miles, 12] for j in BOOK]]),
        kind="odometer_reading")  # fmt: skip
    add("a list of vehicles", "fleet.xlsx", {"fleet.xlsx": workbook({"Fleet": [
        ["Asset list"], ["Unit", "Make", "Model", "Year", "In service"],
        ["bus-31", "Tavenor", "Tern 22", 2019, "2019-05-01"],
        ["bus-32", "Brackwell", "Fulmar 16", 2021, "2021-02-11"]]})}, kind="enrolment")  # fmt: skip
    return made


# Bringing in


@dataclass
class Brought:
    """What became of a messy export.

    Attributes:
        right: facts that came in as the book has them.
        missing: facts that did not.
        wrong: facts that came in and are not in the book.
        open: questions that nobody answered.
        report: of the import.
    """

    right: int
    missing: list[Fact]
    wrong: list[Fact]
    open: list[str]
    report: ImportReport

    @property
    def share(self) -> float:
        return self.right / max(1, self.right + len(self.missing))


def ledger_for(folder: Path) -> Path:
    path = folder / "shop.db"
    with Ledger.create(path) as ledger:
        ledger.append_many(
            NewEvent(vehicle_id=f"unit-{n}", kind="enrolment", occurred_at="2019-01-01", payload={})
            for n in PLATES
        )
        for n, plate in PLATES.items():
            ledger.plates.set(f"unit-{n}", plate)
    return path


def looked_at(messy: Messy, folder: Path, ledger: Ledger) -> list[Draft]:
    """Write the files, look at them, and answer as a manager would."""
    for name, content in messy.files.items():
        (folder / name).write_bytes(content)
    ids = {vehicle: vehicle for vehicle in ledger.vehicle_ids()}
    known = Known(KindRegistry(), ids, ledger.plates.vehicles())
    drafts = look([folder / name for name in messy.files], known)
    for draft in drafts:
        for question in list(draft.questions):
            answers = {"say no reason": "unknown", **messy.answers}
            given = next((a for part, a in answers.items() if part in question.text), "")
            if given:
                draft.answer(question, given)
    return drafts


def brought_in(messy: Messy, folder: Path) -> Brought:
    """Bring an export into a ledger by a look and the map that it wrote, and compare."""
    with Ledger.open(ledger_for(folder)) as ledger:
        before = ledger.checkpoint().size
        asked: list[str] = []
        for draft in looked_at(messy, folder, ledger):
            asked += [question.text for question in draft.questions]
            (folder / "made.aliases.toml").write_text(aliases_text(draft, "made.map.toml"), "utf-8")
            (folder / "made.map.toml").write_text(map_text(draft, "made.aliases.toml"), "utf-8")
            report = import_files(
                ledger, [draft.path], csv_map=folder / "made.map.toml", keep_good=True
            )
        found = [fact_of(event, messy) for event in ledger.events(before)]
    wanted = facts_of(messy)
    missing = list(wanted)
    wrong = []
    for fact in found:
        if fact in missing:
            missing.remove(fact)
        else:
            wrong.append(fact)
    return Brought(len(wanted) - len(missing), missing, wrong, asked, report)


def facts_of(messy: Messy) -> list[Fact]:
    """Return what must be understood."""
    if messy.kind == "enrolment":
        return [
            ("bus-31", "2019-05-01", "Tavenor", 2019),
            ("bus-32", "2021-02-11", "Brackwell", 2021),
        ]
    made = []
    for job in messy.book:
        if messy.kind == "odometer_reading":
            made.append((f"unit-{job.unit}", job.day.isoformat(), float(job.miles), "mi"))
            continue
        fact: Fact = (
            f"unit-{job.unit}",
            job.day.isoformat(),
            job.kind,
            job.component,
            job.position,
        )
        for what in messy.told:
            if what in {"miles", "km"} or (what == "miles-but-1002" and job.order != 1002):
                fact += (float(job.miles), "km" if what == "km" else "mi")
            elif what == "miles-but-1002":
                fact += (None, None)
            elif what == "unit":
                km = job.unit == 7
                fact += (
                    (float(round(job.miles * 1.609344)), "km") if km else (float(job.miles), "mi")
                )
            elif what == "amount":
                fact += (job.amount,)
            elif what == "supplier":
                fact += (job.supplier if job.kind == "replacement" else None,)
            elif what == "failed":
                fact += ("failed" if job.kind == "replacement" else None,)
        made.append(fact)
    return made


def fact_of(event: Any, messy: Messy) -> Fact:
    """Return an event as `facts_of` tells a job."""
    data = event.data()
    if messy.kind == "enrolment":
        return event.vehicle_id, event.occurred_at, data.get("make"), data.get("model_year")
    if messy.kind == "odometer_reading":
        return event.vehicle_id, event.occurred_at, event.odometer, event.odometer_unit
    fact: Fact = (event.vehicle_id, event.occurred_at, event.kind, data.get("component"),
                  data.get("position", ""))  # fmt: skip
    for what in messy.told:
        if what in {"miles", "km", "miles-but-1002", "unit"}:
            fact += (event.odometer, event.odometer_unit)
        elif what == "amount":
            amounts = [data[n]["amount"] for n in ("parts_cost", "other_cost") if n in data]
            fact += (sum(map(Decimal, amounts), Decimal(0)),)
        elif what == "supplier":
            fact += (data.get("supplier"),)
        elif what == "failed":
            fact += (data.get("reason"),)
    return fact


def main(messy: Sequence[Messy]) -> None:
    """Print the share understood of each export; with `-v` what is missing or wrong too."""
    shares = []
    for one in messy:
        with tempfile.TemporaryDirectory() as where:
            try:
                got = brought_in(one, Path(where))
            except RoadwornError as error:
                sys.stdout.write(f"  REFUSED  {one.name}: {error}\n")
                shares.append(0.0)
                continue
        shares.append(got.share)
        sys.stdout.write(
            f"{got.share:6.0%}  {len(got.wrong)} wrong  {len(got.open)} open  {one.name}\n"
        )
        if "-v" in sys.argv and (got.missing or got.wrong):
            for line in (*got.open, *map(str, got.missing), "--", *map(str, got.wrong)):
                sys.stdout.write(f"          {line}\n")
            for problem in got.report.problems[:4]:
                sys.stdout.write(f"          {problem}\n")
    whole = sum(shares) / len(shares)
    sys.stdout.write(f"{len(shares)} files, {whole:.1%} understood\n")


if __name__ == "__main__":
    main(cases())
