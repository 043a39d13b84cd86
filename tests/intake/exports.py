# ruff: noqa: E501  # a table a line reads best
"""Messy exports as a second hand writes them: what fleets' real files are like beyond `messy.py`.

Run by itself, `python tests/intake/exports.py -v`, it prints the share understood of each. All of
it is invented; nothing outside the project says how a fleet writes its own.
"""

from collections.abc import Mapping
from datetime import date
from decimal import Decimal
from typing import Any

from messy import BOOK, HEAD, MONTHS, Job, Messy, main, sum_of, table, text, workbook

_PLAIN = {"currency": "USD", "which unit": "mi", "of the whole order": "line"}
_MERGED_HEAD = ["Vehicle", "", "Job", "", "", "Cost", ""]
_UNDER = ["Unit", "Reg no", "Date", "Odometer", "Work done", "Parts", "Labour"]


def _dmy(job: Job) -> str:
    return job.day.strftime("%d/%m/%Y")


def _comma(job: Job) -> str:
    return f"{job.amount:,.2f}".translate(str.maketrans(",.", ".,"))


def _with_time(job: Job) -> str:
    hour = job.order % 12 or 12
    return f"{job.day.month}/{job.day.day}/{job.day.year} {hour}:05:00 {'AM' if job.unit == 3 else 'PM'}"


def _spaced() -> bytes:
    """Return a printed list whose columns stand one below another, blanks between them."""
    rows = [[str(cell) for cell in row] for row in table(day=_dmy)]
    wide = [max(len(row[at]) for row in rows) + 2 for at in range(len(rows[0]))]
    lines = ["".join(cell.ljust(wide[at]) for at, cell in enumerate(row)).rstrip() for row in rows]
    lines.insert(1, "".join(("-" * (width - 2)).ljust(width) for width in wide).rstrip())
    return ("\r\n".join(["HALDERSEY TRANSPORT   WORK DONE", "", *lines]) + "\r\n").encode("cp1252")


def _subtotals() -> list[list[object]]:
    made: list[list[object]] = [list(HEAD)]
    for unit in (3, 7, 12):
        own = [job for job in BOOK if job.unit == unit]
        made += table(own, day=_dmy)[1:]
        made.append(["", f"unit-{unit} Total", "", "", "", sum_of(own), ""])
    return [*made, ["", "Grand Total", "", "", "", sum_of(BOOK), ""]]


def _signed(job: Job) -> str:
    return f"({job.amount})" if job.order == 1006 else f"${job.amount:,.2f}"


def cases() -> list[Messy]:
    """Return all exports of the second hand."""
    made: list[Messy] = []

    def add(name: str, file: str, content: bytes | Mapping[str, bytes], **more: Any) -> None:
        files = {file: content} if isinstance(content, bytes) else content
        more["answers"] = _PLAIN | more.get("answers", {})
        made.append(Messy(name, files, **more))

    grouped = [
        [f"unit-{j.unit}", f"XX {j.unit}", _dmy(j), j.miles, j.words, j.amount, ""] for j in BOOK
    ]
    add("groups of headings over the headings, a footer of notes", "groups.csv",
        text([["Workshop history 2023"], _MERGED_HEAD, _UNDER, *grouped, [],
              ["* amounts without tax"], ["Printed by JK on 04/01/2024 08:12"]]))  # fmt: skip
    add("sums of each vehicle between its rows", "subtotals.csv", text(_subtotals()))
    mixed = table(day=_dmy, amount=lambda j: _comma(j) if j.unit == 3 else f"{j.amount:,.2f}")
    add("a decimal comma in some rows and a point in others", "mixed.csv", text(mixed),
        answers={"before the decimals": "either"})  # fmt: skip
    reversal = table(day=_dmy)
    reversal.insert(4, [1003, "unit-12", "02/05/2023", 93_100, "replaced alternator", "-1300.00",
                       "Northquay Parts"])  # fmt: skip
    add("a work order reversed and written anew", "reversed.csv",
        text([*reversal, table(day=_dmy)[3]]), answers={"taken back": "yes"})  # fmt: skip
    gone = table(day=_dmy, amount=lambda j: f"${j.amount:,.2f}")
    gone.append([1006, "unit-3", "12/12/2023", 46_020, "adj clutch", "($45.00)", "Northquay Parts"])
    add("a work order taken back in brackets", "brackets.csv", text(gone), book=BOOK[:-1],
        answers={"taken back": "yes"})  # fmt: skip
    behind = table(day=_dmy, amount=lambda j: f"{j.amount:,.2f}")
    behind.append([1009, "unit-3", "12/12/2023", 46_020, "credit", "30.00-", "Northquay Parts"])
    add("a credit with its sign behind", "behind.csv", text(behind), answers={"credit": "none"})
    add("two exports that overlap by a month", "", {
        "export-1.csv": text(table(BOOK[:5], day=_dmy)),
        "export-2.csv": text(table(BOOK[3:], day=_dmy))})  # fmt: skip
    add("the time of day in the cell of the day", "times.csv", text(table(day=_with_time)))
    add("days and times with two digits of the year", "times2.csv",
        text(table(day=lambda j: j.day.strftime("%d.%m.%y 14:05")), ";"))  # fmt: skip
    add("moments in ISO form", "iso.csv",
        text(table(day=lambda j: f"{j.day.isoformat()} 14:05:33.000")))  # fmt: skip
    add("days as a spreadsheet counts them, in text, with the time", "serial.csv",
        text(table(day=lambda j: f"{(j.day - date(1899, 12, 30)).days}.5868")))  # fmt: skip
    add("units in the headings", "units.csv", text(table(
        head=["WO", "Fleet #", "Date (dd/mm/yyyy)", "Odo reading [km]", "Work done", "Total (EUR)",
              "Supplier"], day=_dmy, amount=_comma), ";"), told=("km", "amount"))  # fmt: skip
    breaks = [
        ["WO", "Unit", "Date", "Odometer", "Work\ndone", "Total\n(USD)", "Supplier", "Remarks"]
    ]
    breaks += [[*row, f'driver said "noise"\nseen by JK; {row[0]}'] for row in table(day=_dmy)[1:]]
    add("line ends and quotes within cells", "breaks.csv", text(breaks))
    add("UTF-16 without its mark", "wide.txt", text(table(), "\t", "utf-16-be"))
    pounds = table(day=_dmy, amount=lambda j: f"£{j.amount:,.2f}")
    add("pounds in a code page", "pounds.csv", text(pounds, encoding="cp1252"),
        answers={"currency": "GBP"})  # fmt: skip
    thousands = table(head=[*HEAD[:3], "Odo (000 mi)", *HEAD[4:]], day=_dmy,
                      miles=lambda j: Decimal(j.miles) / 1000)  # fmt: skip
    add("odometer in thousands", "thousands.csv", text(thousands))
    two = table(day=_dmy, miles=lambda j: f"{round(j.miles * 1.609344):,} km" if j.unit == 7
                else f"{j.miles:,} mi")  # fmt: skip
    add("kilometres and miles in one column", "two-units.csv", text(two), told=("unit", "amount"))
    column = table(day=_dmy, miles=lambda j: round(j.miles * 1.609344) if j.unit == 7 else j.miles)
    column = [[*row, "UoM" if not at else "KM" if row[1] == "unit-7" else "MI"]
              for at, row in enumerate(column)]  # fmt: skip
    add("the unit of distance in a column", "uom.csv", text(column), told=("unit", "amount"))
    add("the sign said in the first line", "sep.csv",
        b"sep=;\r\n" + text(table(day=_dmy), ";"))  # fmt: skip
    add("texts guarded for a spreadsheet", "guarded.csv",
        text(table(day=_dmy, unit=lambda j: f'="{j.unit:04}"')))  # fmt: skip
    add("one sign too many behind each row", "trailing.csv", text(
        [row if not at else [*row, ""] for at, row in enumerate(table(day=_dmy))]))  # fmt: skip
    add("a printed list with blanks between its columns", "printed.txt", _spaced())
    add("odometers in short", "short.csv", text(table(
        day=_dmy, miles=lambda j: f"{j.miles // 1000}K" if j.miles % 1000 == 0 else j.miles)))  # fmt: skip
    ditto = table(day=_dmy)
    ditto[5][1:4] = ['"', '"', '"']
    add("ditto marks", "ditto.csv", text(ditto))
    add("day, month and year run together", "dmonyyyy.csv",
        text(table(day=lambda j: f"{j.day.day:02}{MONTHS[j.day.month - 1].upper()}{j.day.year}")))  # fmt: skip
    de = ["Jan", "Feb", "Mär", "Apr", "Mai", "Jun", "Jul", "Aug", "Sep", "Okt", "Nov", "Dez"]
    add("months in German", "monate.csv",
        text(table(day=lambda j: f"{j.day.day}. {de[j.day.month - 1]} {j.day.year}")))  # fmt: skip
    es = ["ene", "feb", "mar", "abr", "may", "jun", "jul", "ago", "sep", "oct", "nov", "dic"]
    add("months in Spanish", "meses.csv",
        text(table(day=lambda j: f"{j.day.day}-{es[j.day.month - 1]}-{j.day.year}")))  # fmt: skip
    typed = table(day=lambda j: j.day, unit=lambda j: Decimal(f"{j.unit}.0"))
    add("a workbook of a sheet a year", "years.xlsx", {"years.xlsx": workbook({
        "2022": [HEAD, *typed[1:3]], "2023": [HEAD, *typed[3:]],
        "Legend": [["KEY", "PM = planned"], ["", "RR = repair"]]})})  # fmt: skip
    return made


if __name__ == "__main__":
    main(cases())
