"""A blank look-over sheet for the clip board, with what is known of the vehicle filled in.

One page: where one stands while walking round, last figure and limit beside each item, what failed
or was declined last time first, a box for each condition. What is written on it is typed in
afterwards; the sheet itself judges nothing.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Any

from roadworn.model.places import covers
from roadworn.say import SOURCE, Said
from roadworn.trade.cautions import cautions_for
from roadworn.trade.judging import KnownSizes
from roadworn.trade.limits import Item, Sheet
from roadworn_cli.words import PAPERS, Look, Words

if TYPE_CHECKING:
    from roadworn.columns.view import LedgerView

_FOLDER = Path(__file__).parent
#: Heights of the page at full size, in points: a name with the space round it, each further line of
#: one, a line below it, a heading; and of a column, a little less than `clip_board.html` gives it.
_NAME, _MORE, _BELOW, _HEADING = 12.6, 9.7, 7.4, 16.0
_ROOM = {"a4": 646.0, "letter": 592.0}
#: Characters that a line of a name holds, and one below it; beside the box of a figure fewer.
_WIDE, _BESIDE = (46, 60), (36, 47)
#: In percent; smaller letters nobody reads, and a second page is begun.
_SMALLEST = 60
#: Where one stands, in the order of walking round; what a sheet calls otherwise comes behind.
_WALK = ("inside", "outside", "under the hood", "underneath", "wheels off", "road test")
#: Lines for what is on no sheet.
_BLANK = 3


@dataclass(frozen=True, slots=True)
class Row:
    """One line to fill in.

    Attributes:
        name: item and place.
        below: last figure or condition, limit, why it stands first.
        unit: of the figure; empty where nothing is measured.
        stop: somebody can get hurt: it failed when it was last seen.
    """

    name: str
    below: tuple[Said, ...]
    unit: str = ""
    stop: bool = False


@dataclass(frozen=True, slots=True)
class Known:
    """What is on record of one place of a vehicle.

    Attributes:
        last: condition and day it was last seen.
        figures: value, unit and name of what was measured last, and the day.
        worked: day of the last work there, where nobody has looked since.
        open: the condition of an open finding, or an empty text.
        safety: that finding can hurt somebody.
        offered: how often it was offered, since when, and the last answer.
    """

    last: tuple[str, Any] | None = None
    figures: tuple[tuple[float, str, str, Any], ...] = ()
    worked: date | None = None
    open: str = ""
    safety: bool = False
    offered: tuple[int, Any, str] | None = None


def known_of(view: "LedgerView", vehicle_id: str) -> dict[tuple[str, str], Known]:
    """Return (component, place) -> what is on record of it; the place may be empty."""
    found: dict[tuple[str, str], dict[str, Any]] = {}
    looked: dict[tuple[str, str], Any] = {}
    for component, place, condition, day, at in view.sql(
        """SELECT component, coalesce(position, ''), max_by(condition, (occurred_on, seq)),
                  max(occurred_on), max((occurred_on, seq))
           FROM findings WHERE vehicle_id = ? AND condition <> 'not_checked'
           GROUP BY 1, 2 ORDER BY 1, 2""",
        (vehicle_id,),
    ).rows:
        found.setdefault((component, place), {})["last"] = (condition, day)
        looked[component, place] = at
    for component, place, name, unit, value, day in view.sql(
        """SELECT component, coalesce(position, ''), coalesce(name, ''), unit,
                  max_by(value, (occurred_on, seq)), max(occurred_on)
           FROM measurements WHERE vehicle_id = ?
           GROUP BY 1, 2, 3, 4 ORDER BY 1, 2, 6 DESC, 3, 4""",
        (vehicle_id,),
    ).rows:
        row = found.setdefault((component, place), {})
        row["figures"] = (*row.get("figures", ()), (value, unit, name, day))
    for component, place, day, at in view.sql(
        """SELECT component, coalesce(position, ''), max(occurred_on), max((occurred_on, seq))
           FROM work_done WHERE vehicle_id = ? AND how IS DISTINCT FROM 'inspected'
           GROUP BY 1, 2 ORDER BY 1, 2""",
        (vehicle_id,),
    ).rows:
        # What was seen before the work is of the part that is out, at its sides as well.
        own = (component, place)
        for key in {own, *(key for key in found if _fits(key, *own))}:
            if looked[key] < at if key in looked else key == own:
                row = found.setdefault(key, {})
                row |= {"worked": max(day, row.get("worked", day)), "figures": ()}
    for component, place, condition, safety in view.sql(
        """SELECT component, coalesce(position, ''), condition, safety FROM open_findings
           WHERE vehicle_id = ? ORDER BY 1, 2""",
        (vehicle_id,),
    ).rows:
        row = found.setdefault((component, place), {})
        row |= {"open": condition, "safety": bool(safety) and condition == "failed"}
    for component, place, times, first, answer in view.sql(
        """SELECT component, coalesce(position, ''), times, first_on, last_answer FROM offers
           WHERE vehicle_id = ? AND last_answer <> 'approved' ORDER BY 1, 2""",
        (vehicle_id,),
    ).rows:
        found.setdefault((component, place), {})["offered"] = (times, first, answer)
    return {key: Known(**row) for key, row in found.items()}


def rows_of(
    sheet: Sheet, known: Mapping[tuple[str, str], Known], sizes: KnownSizes, words: Words
) -> tuple[list[Row], dict[str, list[Row]]]:
    """Return the lines that stand first, and the others by where one stands.

    Args:
        sheet: without the parts that the vehicle does not have.
        known: from `known_of`.
        sizes: on record of the vehicle, which limits hang on.
        words: of the page.
    """
    asked = {key for key, one in known.items() if one.open == "failed" or one.offered}
    told: set[tuple[str, str]] = set()
    first: list[Row] = []
    areas: dict[str, list[Row]] = {}
    for item in sheet.items:
        for place in item.places or ("",):
            mine = {key for key in asked if _fits(key, item.component, place)}
            row = _row(item, place, known, sorted(mine), sizes, words)
            told |= mine
            if mine:
                first.append(row)
            else:
                areas.setdefault(item.area, []).append(row)
    for key in sorted(asked - told):
        one = known[key]
        below = (*_last(one, None, words), *_why(one, words))
        first.append(Row(str(words.part(*key)), below, stop=one.safety))
    first.sort(key=lambda row: not row.stop)
    return first, areas


def _fits(key: tuple[str, str], component: str, place: str) -> bool:
    """Whether what is known of a place belongs to an item at another."""
    at = key[1]
    return key[0] == component and (not place or not at or covers(at, place) or covers(place, at))


def _row(
    item: Item,
    place: str,
    known: Mapping[tuple[str, str], Known],
    asked: list[tuple[str, str]],
    sizes: KnownSizes,
    words: Words,
) -> Row:
    own = known.get((item.component, place), Known())
    if own == Known():
        # An item without places, or one whose side was told of with the axle: what was last there.
        seen = [one for key, one in known.items() if _fits(key, item.component, place)]
        own = max(seen, key=_when, default=own)
    why = [part for key in asked for part in _why(known[key], words)]
    limit = _limit(item, place, sizes, words)
    below = (*dict.fromkeys(why), *_last(own, item, words), *([limit] if limit else []))
    name: str = words.word(item.name)
    if any(language for _text, language in words.word(item.name).pieces):
        # A shop's own sheet is in its own language; the part says most of it.
        name = f"{words.part(item.component)} ({item.name})"
    if place:
        name = f"{name} {words.place(place, item.component)}"
    stop = any(known[key].safety for key in asked)
    return Row(name, below, item.unit if item.measurement else "", stop)


def _when(one: Known) -> date:
    """Return the day of the last that is known of a place."""
    return one.worked or (one.last[1] if one.last else date.min)


def _why(one: Known, words: Words) -> list[Said]:
    """Say why a line stands first."""
    told = [words("clip_failed")] if one.open == "failed" else []
    if one.offered:
        times, first, answer = one.offered
        key = f"clip_{answer if answer in ('declined', 'deferred') else 'offered'}"
        often = {"times": times} if times > 1 else {}
        told.append(words(key if often else f"{key}_once", day=words.day(first), **often))
    return told


def _last(one: Known, item: Item | None, words: Words) -> list[Said]:
    """Say what was seen last: the figure that the item asks for, else the condition."""
    if item is not None and item.measurement and one.worked is None:
        for value, unit, name, day in one.figures:
            if name in ("", item.measurement):
                figure = figure_words(value, unit, words)
                return [words("clip_last", figure=figure, day=words.day(day))]
    if one.worked is not None:
        return [words("clip_worked", day=words.day(one.worked))]
    if one.last is None or one.open == "failed":
        return []
    condition, day = one.last
    return [words("clip_last", figure=words.word(condition), day=words.day(day))]


def _limit(item: Item, place: str, sizes: KnownSizes, words: Words) -> Said | None:
    key = "clip_least" if item.direction == "min" else "clip_most"
    if item.limit is not None:
        return words(key, figure=_edge(item.limit, item.unit, item.direction, words))
    if item.sized is not None:
        size = sizes.size_at(item, {"component": item.component, "position": place or None})
        limits = item.sized.limits(size) if size is not None else ()
        if len(limits) == 1:
            return words(key, figure=_edge(limits[0], item.sized.unit, item.sized.direction, words))
        return words("clip_sized", size=words.word(item.sized.key))
    if item.normal is not None:
        low, high = (words.number(str(figure)) for figure in item.normal)
        return words("clip_usual", low=low, high=f"{high} {item.unit}")
    return None


def clip_board(
    view: "LedgerView", vehicle_id: str, sheet: Sheet, sizes: KnownSizes, plate: str, look: Look
) -> str:
    """Return the page as HTML.

    Args:
        view: the ledger as of a day.
        vehicle_id: an enrolled vehicle.
        sheet: without the parts that it does not have.
        sizes: on record of it.
        plate: its number plate, or an empty text.
        look: language, unit, order of dates and paper.
    """
    from jinja2 import Environment, FileSystemLoader, StrictUndefined
    from markupsafe import Markup

    words = Words(look.settled(view, vehicle_id))
    found = view.sql("SELECT * FROM vehicles WHERE vehicle_id = ?", (vehicle_id,))
    profile = dict(zip(found.columns, found.rows[0], strict=True))
    first, areas = rows_of(sheet, known_of(view, vehicle_id), sizes, words)
    groups = [(words("clip_first"), first)] if first else []
    walk = sorted(areas, key=lambda area: _WALK.index(area) if area in _WALK else len(_WALK))
    groups += [(words.word(area or words("clip_rest")), areas[area]) for area in walk]
    groups.append((words("clip_also"), [Row("", ())] * _BLANK))
    environment = Environment(
        loader=FileSystemLoader(_FOLDER), autoescape=True, undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    cautions = cautions_for(item.component for item in sheet.items)
    return environment.get_template("clip_board.html").render(
        words=words,
        language=look.language,
        paper=PAPERS[look.paper],
        title=words("clip_title", vehicle=vehicle_id),
        facts=list(_facts(view, profile, plate, words)),
        groups=groups,
        marks=[words(f"clip_{key}") for key in "swfn"],
        scale=f"{_scale((rows for _title, rows in groups), look.paper):.3f}",
        sheet=sheet.title if look.language == SOURCE else "",
        cautions=[words.said(one) for one in cautions],
        root=view.checkpoint.root[:16],
        # The colours and letters of every page of ours stand at the head of one file.
        style=Markup(_head_of((_FOLDER / "report.css").read_text(encoding="utf-8"))),  # noqa: S704
    )


def _head_of(style: str) -> str:
    return style[: style.index("}") + 1]


def _facts(
    view: "LedgerView", profile: Mapping[str, Any], plate: str, words: Words
) -> Iterable[tuple[Said, Said]]:
    """Yield what is known of the vehicle, with what it is called."""
    built = " ".join(
        str(profile[key]) for key in ("model_year", "make", "model") if profile.get(key)
    )
    for key, value in (
        ("clip_vehicle", ", ".join(filter(None, (profile["label"], built)))),
        ("clip_plate", plate),
        ("clip_vin", profile["vin"]),
        ("clip_engine", ", ".join(filter(None, (profile["engine"], profile["gearbox"])))),
    ):
        if value:
            yield words(key), words.plain(value)
    rows = view.sql(
        """SELECT odometer, unit, occurred_on FROM readings WHERE vehicle_id = ? AND used
           ORDER BY occurred_at DESC, seq DESC LIMIT 1""",
        (profile["vehicle_id"],),
    ).rows
    for odometer, unit, day in rows:
        figure = f"{words.number(f'{odometer:,.10g}')} {unit}"
        yield words("clip_reading"), words("distance_on", distance=figure, day=words.day(day))


def _scale(groups: Iterable[list[Row]], paper: str) -> float:
    """Return the share of its full size at which everything stands on one page."""
    laid = list(groups)
    steps = (at / 100 for at in range(100, _SMALLEST, -1))
    return next((s for s in steps if s * _height(laid, s) <= 2 * _ROOM[paper]), _SMALLEST / 100)


def _height(groups: Iterable[list[Row]], scale: float) -> float:
    """Return how high all is at full size, where lines hold what they do at this scale."""
    high = 0.0
    for rows in groups:
        high += _HEADING
        for row in rows:
            of_name, of_below = (int(n / scale) for n in (_BESIDE if row.unit else _WIDE))
            below = len("; ".join(map(str, row.below)))
            high += _NAME + _MORE * (max(len(row.name) - 1, 0) // of_name)
            high += _BELOW * -(-below // of_below)
    return high


def figure_words(value: float, unit: str, words: Words) -> str:
    """Return a figure as it is read, tread as a fraction."""
    figure = words.number(f"{value:,.10g}")
    return f"{figure}/32 in" if unit == "32nds" else f"{figure} {unit}"


def _edge(limit: Decimal, unit: str, direction: str, words: Words) -> str:
    """Return a limit to three places, never milder than it is."""
    rounding = ROUND_CEILING if direction == "min" else ROUND_FLOOR
    return figure_words(float(limit.quantize(Decimal("0.001"), rounding)), unit, words)
