"""The lists of the day in words, a line a vehicle, as the screen and the page show them."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta
from itertools import groupby
from typing import TYPE_CHECKING, Any

from roadworn.model.catalogue import part_name
from roadworn.model.messages import Joined, Says
from roadworn.say.telling import item_words, test_words
from roadworn.trade.after_work import asked_after
from roadworn_cli.day_open import Offer, StillOpen

if TYPE_CHECKING:
    from roadworn.analysis.day import Day
    from roadworn.columns.spec import Rows

Row = dict[str, Any]
#: The lists whose vehicles may have left with it open: approved and not done, not tried.
_STILL_OPEN = (2, 4)
#: Estimates that wait for longer are told of by `--call`. Common practice, no source.
_FRESH = timedelta(days=30)
#: What is said of the lists; the page says the same.
SAYS = Says(
    "today",
    {
        "in_shop": "In the shop",
        "waiting": "Waiting for an answer",
        "approved": "Approved and not done",
        "done": "Done today",
        "untried": "Not tried since the work",
        "title": "{list}: {n} {n:vehicle|vehicles}",
        "title-none": "{list}: none",
        "title-sums": "{title}, {sums}",
        "older": "{title}; {n} {n:line|lines} older than {days} {days:day|days}: today --call",
        "stop": "STOP: do not release: {parts}; {told}",
        "offer": "to offer: {must:,.0f} {currency} must; {told}",
        "offer-more": "to offer: {must:,.0f} {currency} must, {should:,.0f} should; {told}",
        "offer-unpriced": "nothing offered yet; {told}",
        "open": "OPEN: {said}; {told}",
        "still-open": "complaint still OPEN; {told}",
        "hold": "HOLD, not tried: {works}; {told}",
        "try": "{part} ({tests})",
        "left": "handed over; {told}",
        "told-of": "{told}; {owner}",
        "and": "{first} and {second}",
        "sum": "{amount:,.2f} {currency}",
        "line": "{work}: {amount:,.2f}",
        "line-safety": "{work}: {amount:,.2f} SAFETY",
        "priced": "{lines}; approved {ago}",
        "today": "today",
        "yesterday": "yesterday",
        "tomorrow": "tomorrow",
        "on": "on {day}",
        "since": "since {day}",
        "promised": "promised for {day}",
        "promised-at": "promised for {day}, {at}",
        "late": "LATE: promised for {day}",
        "late-at": "LATE: promised for {day}, {at}",
        "entries": "{n} {n:entry|entries} today",
        "estimated": "{lines}; estimate of {day}",
        "estimated-held": "{lines}; estimate of {day}, held until {until}",
        "replaced": "{part} replaced",
        "repaired": "{part} repaired",
        "serviced": "{part} {how}",
        "scan": "codes not read again",
        "look_over": "not looked at again",
        "test": "{test} not done",
        "test-failed": "{test} failed {ago}, not done again",
        "safety": "SAFETY",
        "price": "{amount:,.0f} {currency}",
        "work": "{part} of {day}",
        "asked": "{work}: {asked}",
        "more": "and {n} more: roadworn today --all",
        "foot": "Whom to call: roadworn today --call; a vehicle: roadworn outlook VEHICLE",
        "none": "nothing is on for this day: record visit VEHICLE arrived says that one came in, "
        "and every entry of the day is told of here.",
    },
)


@dataclass(frozen=True, slots=True)
class DayList:
    """One list as it is shown: its title, and for each vehicle its name and what is told."""

    title: str
    rows: tuple[tuple[str, str], ...]
    stops: frozenset[str] = frozenset()
    says_stop: bool = False


def records(rows: "Rows") -> list[Row]:
    """Return rows with the names of their columns."""
    return [dict(zip(rows.columns, values, strict=True)) for values in rows.rows]


def rows_of_lists(found: "Day") -> dict[str, list[Row]]:
    """Return the lists by their names, in the order in which they are shown."""
    names = ("in_shop", "waiting", "approved", "done", "untried")
    return {name: records(getattr(found, name)) for name in names}


def day_lists(
    found: "Day",
    named: Mapping[str, str],
    still: StillOpen = StillOpen(),  # frozen
) -> list[DayList]:
    """Return the lists of a day as they are shown, whatever shows them.

    Args:
        found: the day's rows.
        still: what analyses say is open on the vehicles in the shop.
        named: owner reference -> what to say of the owner; empty to name none.
    """
    lists = rows_of_lists(found)
    fresh = [row for row in lists["waiting"] if found.day - row["estimated_on"] <= _FRESH]
    older = len(lists["waiting"]) - len(fresh)
    waiting = _by_vehicle("waiting", fresh, lambda rows: _estimated(rows, found.day))
    if older:
        title = SAYS("older", title=waiting.title, n=older, days=_FRESH.days)
        waiting = replace(waiting, title=title)
    shown = [
        _by_vehicle("in_shop", lists["in_shop"], lambda rows: _here(rows[0], found.day)),
        waiting,
        _by_vehicle(
            "approved",
            lists["approved"],
            lambda rows: SAYS(
                "priced", lines=_priced(rows), ago=_ago(rows[0]["approved_on"], found.day)
            ),
        ),
        _by_vehicle("done", lists["done"], _done),
        _by_vehicle("untried", lists["untried"], lambda rows: _untried(rows, found.day)),
    ]
    stops: dict[str, list[str]] = {}
    for row in records(found.stops):
        stops.setdefault(row["vehicle_id"], []).append(part_name(row["component"], row["position"]))
    here = {row["vehicle_id"] for row in lists["in_shop"]}
    holds = _holds(lists["untried"])

    def pressing(vehicle: str, told: str) -> str:
        """Say before what it is why it is not to go, the worst first."""
        if vehicle in holds:
            told = SAYS("hold", works=holds[vehicle], told=told)
        if vehicle in still.complaints:
            told = SAYS("open", said=Joined(still.complaints[vehicle]), told=told)
        if vehicle in still.offers:
            told = _to_offer(still.offers[vehicle], told)
        if vehicle in stops:
            told = SAYS("stop", parts=Joined(stops[vehicle]), told=told)
        return told

    # What must not be released stands first, whenever it came in.
    here_first = sorted(shown[0].rows, key=lambda row: (row[0] not in stops, row[0] not in holds))
    shown[0] = replace(
        shown[0],
        rows=tuple((v, pressing(v, told)) for v, told in here_first),
        stops=frozenset(here & (stops.keys() | holds.keys())),
        says_stop=True,
    )
    # In what words it is open stands above, where the vehicle is.
    shown[3] = replace(
        shown[3],
        rows=tuple(
            (v, SAYS("still-open", told=told) if v in still.complaints else told)
            for v, told in shown[3].rows
        ),
    )
    gone = {row["vehicle_id"] for row in lists["approved"] + lists["untried"] if row["left_on"]}
    shown = [
        replace(
            one,
            rows=tuple(
                (v, SAYS("left", told=told) if at in _STILL_OPEN and v in gone - here else told)
                for v, told in one.rows
            ),
        )
        for at, one in enumerate(shown)
    ]
    if named:
        owners = {r["vehicle_id"]: r["owner_reference"] for rows in lists.values() for r in rows}

        def told(vehicle: str, words: str) -> str:
            owner = named.get(owners.get(vehicle) or "")
            return SAYS("told-of", told=words, owner=owner) if owner else words

        shown = [replace(o, rows=tuple((v, told(v, words)) for v, words in o.rows)) for o in shown]
    return shown


def _to_offer(offer: Offer, told: str) -> str:
    """Say what to offer for what forbids driving, with its sums."""
    if offer.must is None:
        return SAYS("offer-unpriced", told=told)
    sums = {"must": offer.must, "currency": offer.currency, "told": told}
    if offer.should:
        return SAYS("offer-more", should=offer.should, **sums)
    return SAYS("offer", **sums)


def _holds(untried: Iterable[Row]) -> dict[str, str]:
    """Return vehicle -> work that can hurt somebody and that nobody tried, with its tests.

    Codes not read again hold nothing: nobody is hurt by those.
    """
    works: dict[str, dict[str, dict[str, None]]] = {}
    for row in untried:
        if row["wants"] == "scan":
            continue
        asked = asked_after(row["component"] or "")
        if row["wants"] != "look_over":
            asked = (row["wants"], *asked)
        tests = works.setdefault(row["vehicle_id"], {}).setdefault(item_words(row), {})
        tests.update(dict.fromkeys(asked))
    return {
        vehicle: Joined(
            (
                SAYS("try", part=part, tests=_tests(tests))
                if part and tests
                else part or _tests(tests)
                for part, tests in of.items()
            ),
            "; ",
        )
        for vehicle, of in works.items()
    }


def _tests(names: Iterable[str]) -> Joined:
    return Joined(map(test_words, names))


def _by_vehicle(title: str, rows: list[Row], told: Any) -> DayList:  # noqa: ANN401
    """Return a list with a line a vehicle, and what it comes to in its title."""
    by_vehicle: dict[str, list[Row]] = {}
    for row in rows:
        by_vehicle.setdefault(row["vehicle_id"], []).append(row)
    stops = frozenset(row["vehicle_id"] for row in rows if row.get("safety"))
    sums, word = sums_of(rows), SAYS(title)
    counts = SAYS("title", list=word, n=len(by_vehicle)) if rows else SAYS("title-none", list=word)
    return DayList(
        SAYS("title-sums", title=counts, sums=sums) if sums else counts,
        tuple((vehicle, told(of)) for vehicle, of in by_vehicle.items()),
        stops,
    )


def sums_of(rows: Iterable[Row]) -> str:
    """Return what the lines come to, each currency by itself."""
    sums: dict[str, Any] = {}
    for row in rows:
        if row.get("amount") is not None:
            sums[row["currency"]] = sums.get(row["currency"], 0) + row["amount"]
    told: str = ""
    for currency, amount in sums.items():
        one = SAYS("sum", amount=amount, currency=currency)
        told = SAYS("and", first=told, second=one) if told else one
    return told


def _ago(day: date, today: date) -> str:
    """Say a day as one does at the counter."""
    near = {0: "today", 1: "yesterday", -1: "tomorrow"}.get((today - day).days)
    return SAYS(near) if near else SAYS("on", day=day)


def built_of(row: Row) -> str:
    """Return year, make and model as far as they are known."""
    return " ".join(str(row[key]) for key in ("model_year", "make", "model") if row[key])


def _here(row: Row, day: date) -> str:
    since = SAYS("since", day=row["since"]) if row["since"] != day else ""
    parts = [row["label"], built_of(row), since]
    promised = row["promised"]
    if promised is not None:
        late = promised < day
        at = row["promised_time"]
        word = ("late" if late else "promised") + ("-at" if at else "")
        parts.append(SAYS(word, day=_for(promised, day), at=at or ""))
    return Joined([*parts, SAYS.some(row["entries"] or 0, "entries")])


def _for(promised: date, day: date) -> object:
    near = {0: "today", 1: "tomorrow", -1: "yesterday"}.get((promised - day).days)
    return SAYS(near) if near else promised


def _priced(rows: Iterable[Row]) -> str:
    told = []
    for row in rows:
        work = Joined([item_words(row), row["work"]], " ")
        told.append(
            SAYS("line-safety" if row["safety"] else "line", work=work, amount=row["amount"])
        )
    return Joined(told)


def _estimated(rows: list[Row], day: date) -> str:
    parts = []
    for estimated, group in groupby(rows, lambda row: row["estimated_on"]):
        of = list(group)
        when = SAYS("today") if estimated == day else estimated
        told = {"lines": _priced(of), "day": when}
        held = of[0]["lapsed"]
        parts.append(
            SAYS("estimated-held", until=of[0]["valid_until"], **told)
            if held
            else SAYS("estimated", **told)
        )
    return Joined(parts, "; ")


def _done(rows: Iterable[Row]) -> str:
    words = {"replacement": "replaced", "repair": "repaired"}
    return Joined(
        SAYS(words[row["kind"]], part=item_words(row))
        if row["kind"] in words
        else SAYS("serviced", part=item_words(row), how=row["how"])
        for row in rows
    )


def _untried(rows: Iterable[Row], day: date) -> str:
    """Say what is to be tried, each piece of work once."""
    told: dict[str, list[str]] = {}
    for row in rows:
        wants, test = row["wants"], test_words(row["wants"])
        asked = SAYS(wants) if wants in ("scan", "look_over") else SAYS("test", test=test)
        if row["failed_on"] is not None:
            asked = SAYS("test-failed", test=test, ago=_ago(row["failed_on"], day))
        work = SAYS("work", part=item_words(row), day=row["done_on"])
        told.setdefault(work, []).append(asked)
    return Joined(
        (SAYS("asked", work=work, asked=Joined(asked)) for work, asked in told.items()), "; "
    )
