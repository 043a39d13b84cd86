"""What a view keeps of what was made from it: while it is open, for its state, and beyond.

A fleet's models take seconds and hang on a part of the ledger each: what codes and complaints
came to does not change when somebody reads an odometer. So what is kept beyond one state says
what was asked to make it and what came back; whoever wants it later asks the same, and takes it
only while every answer is the same.
"""

import re
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from datetime import date
from typing import TYPE_CHECKING, Any, TypeVar, cast

import orjson

from roadworn.columns.kept import Codec, Kept, Unkeepable, digest, nothing
from roadworn.columns.kept_rows import KeptRows
from roadworn.columns.spec import Rows, sql_text
from roadworn.store import schema

if TYPE_CHECKING:
    from numpy.typing import NDArray

_Made = TypeVar("_Made")
_Gathered = TypeVar("_Gathered")
#: Whether rows or arrays were asked, the query, its parameters.
Question = tuple[str, str, list[Any]]
#: Questions by a text that tells them apart.
_Trace = dict[str, Question]


class _AsItIs(Codec):
    """What is JSON already."""

    def plain(self, value: object) -> Any:  # noqa: ANN401
        return value

    def made(self, plain: Any) -> Any:  # noqa: ANN401
        return plain


_JSON = _AsItIs()
#: Answers of no more rows than this are remembered while a view is open.
_FEW_ROWS = 50_000
#: Of a ledger of no more events than this, what is asked of one vehicle is asked of all at once.
_FEW_EVENTS = 60_000
#: In a query of vehicles, where it is narrowed to one of them.
ONLY = re.compile(r"\bONLY\(([\w.]+)\)")
#: Reads and writes the rows of a query that are kept.
_ROWS = Codec((Rows,))
_PARAMETERS = Codec()
#: Under this is kept, of a state, by which answers something may be taken at it.
_ALIKE = "answered alike"
#: Under this, from what something was made at it, and what was asked for that.
_MADE_FROM = "made from"


class _Asking(threading.local):
    """The questions of whatever is being made, innermost last; a thread has its own."""

    def __init__(self) -> None:
        self.traces: list[_Trace] = []
        #: How many that are kept by their questions are being made.
        self.keeping = 0


#: Set in a thread, it is refused every ledger to write to.
ONLY_READING = schema.ONLY_READING


class Keeping:
    """Keeps what is made from a view; the view itself answers the questions.

    Attributes:
        today: the day the view speaks of.
    """

    def __init__(self, today: date, keep: str) -> None:
        self.today = today
        self._program = keep
        self._answers: Kept | None = None
        self._rows: KeptRows | None = None
        self._asked: dict[str, Rows] = {}
        self._written = False
        self._working = 0
        self._made: dict[tuple[object, ...], tuple[object, _Trace]] = {}
        self._digests: dict[str, str] = {}
        self._asking = _Asking()

    def digest_of(self, question: Question) -> str:
        """Return a digest of what comes back when this is asked."""
        raise NotImplementedError

    def _fetched(self, query: str, parameters: Sequence[Any]) -> Rows:
        """Return the rows of a query, asked now."""
        raise NotImplementedError

    def _narrowed(self, query: str, vehicle: str, parameters: Sequence[Any]) -> Rows:
        """Return the rows of one vehicle of a query of vehicles."""
        whole = ONLY.sub("TRUE", query)
        narrow = ONLY.sub(lambda found: f"{found[1]} = {sql_text(vehicle)}", query)

        def own() -> Rows:
            if self._rows is None:
                return self._ask(narrow, parameters)
            found = self._ask(whole, parameters)
            return Rows(found.columns, [row for row in found.rows if row[0] == vehicle])

        return self._answer(narrow, parameters, own)

    def _answer(self, query: str, parameters: Sequence[Any], ask: Callable[[], Rows]) -> Rows:
        self._note("rows", query, parameters)
        if self._answers is None or self._working:
            return ask()
        question = ["sql", query, list(parameters)]
        found = self.answered(question, _ROWS)
        if found is nothing:
            found = self.keep(question, ask(), _ROWS)
        return cast("Rows", found)

    def _ask(self, query: str, parameters: Sequence[Any]) -> Rows:
        """Return the rows of a query; few are remembered, for several analyses ask the same."""
        asked = repr((query, list(parameters)))
        found = self._asked.get(asked)
        if found is None and self._rows is not None:
            found = self._rows.get(asked)
        if found is None:
            found = self._fetched(query, parameters)
            if self._rows is not None and len(found.rows) <= _FEW_ROWS:
                self._rows.put(asked, found)
        if len(found.rows) <= _FEW_ROWS:
            self._asked[asked] = found
        # A list of its own: whoever sorts it does so for himself.
        return Rows(found.columns, list(found.rows))

    def _kept_mark(self, query: str, parameters: Sequence[Any]) -> str:
        """Return the digest by which the rows of a query are kept, empty where they are not."""
        if self._rows is None:
            return ""
        asked = repr((query, list(parameters)))
        if self._rows.mark(asked) is None:
            self._ask(query, parameters)
        return self._rows.mark(asked) or ""

    def kept(self, key: tuple[object, ...], make: Callable[[], _Made]) -> _Made:
        """Return what was made for `key` on this view, made now if nobody asked before.

        For what several analyses need of the whole fleet: lives, prices, paces, causes learnt.
        A view is a snapshot, so what was made from it stays right while it is open. Whoever is
        handed it must not change it.

        Args:
            key: name of what is made and all that it depends on besides the view.
            make: makes it, asked at most once for a key.
        """
        if key not in self._made:
            with self._traced() as trace:
                made = make()
            self._made[key] = made, trace
        found, trace = self._made[key]
        self._asked_for(trace)
        return cast("_Made", found)

    def kept_while(
        self, name: str, rests_on: object, make: Callable[[], _Made], codec: Codec
    ) -> _Made:
        """Return what was made, of any state of the ledger, while all it asked is answered alike.

        It outlives what is new elsewhere in the ledger, and is there for the next vehicle.

        Args:
            name: what it is.
            rests_on: what it is made from besides the program, the day and the rows that it asks
                of this view, as JSON can hold it; of no other view.
            make: makes it, from nothing else.
            codec: knows the types of it.
        """
        if self._answers is None:
            return make()
        store = self._answers.for_all_states(self._program)
        question = [name, self.today.isoformat(), rests_on]
        found = store.get(question, _JSON)
        if found is not nothing and self._alike(question, found[0]):
            return cast("_Made", codec.made(found[1]))
        with self._traced() as trace:
            self._asking.keeping += 1
            try:
                made = make()
            finally:
                self._asking.keeping -= 1
        self._asked_for(trace)
        try:
            plain = codec.plain(made)
            asked = [
                [kind, query, _PARAMETERS.plain(given), self._digest(kind, query, given)]
                for kind, query, given in trace.values()
            ]
        except Unkeepable:
            return made
        self._written = True
        read = store.put(question, [asked, plain], _JSON)
        self._answers.put([_ALIKE, question], digest(orjson.dumps(asked)), _JSON)
        return cast("_Made", codec.made(read[1]))

    def _alike(self, question: list[Any], asked: list[Any]) -> bool:
        """Return whether everything that something was made from is answered as it was then.

        Once that was found at a state of the ledger it is so there, and need not be asked again.

        Args:
            question: what was made.
            asked: what was asked to make it, each with a digest of what came back.
        """
        if self._answers is None:
            return False
        here, mark = [_ALIKE, question], digest(orjson.dumps(asked))
        if self._answers.get(here, _JSON) != mark:
            with self._traced():
                if not all(self._comes_back(*one) for one in asked):
                    return False
            self._written = True
            self._answers.put(here, mark, _JSON)
        for kind, query, parameters, _known in asked if self._asking.traces else ():
            self._note(kind, query, _PARAMETERS.made(parameters))
        return True

    def answered(self, question: object, codec: Codec) -> Any:  # noqa: ANN401
        """Return what is kept on disk of a question, `nothing` when there is nothing.

        Args:
            question: everything that the answer depends on besides the view, as JSON can hold it.
            codec: knows the types of the answer.
        """
        return nothing if self._answers is None else self._answers.get(question, codec)

    def keep(self, question: object, answer: _Made, codec: Codec) -> _Made:
        """Keep an answer on disk, where answers are kept; return it as it will be read."""
        if self._answers is None:
            return answer
        self._written = True
        return cast("_Made", self._answers.put(question, answer, codec))

    def kept_for(
        self, name: str, rests_on: object, make: Callable[[], _Made], codec: Codec
    ) -> _Made:
        """Return what was made from a part of the ledger, kept on disk by all that it rests on.

        Args:
            name: what it is.
            rests_on: everything it is made from besides the program, of types that are kept.
            make: makes it, from nothing else.
            codec: knows the types of both.
        """
        if self._answers is None:
            return make()
        self._written = True
        lasting = self._answers.for_all_states(self._program)
        return cast("_Made", lasting.made(name, rests_on, make, codec))

    def kept_from(
        self,
        name: str,
        gather: Callable[[], _Gathered],
        make: Callable[[_Gathered], _Made],
        codec: Codec,
    ) -> _Made:
        """Return what `kept_for` would of what is gathered from this view, gathered once a state.

        Args:
            name: what it is.
            gather: gathers everything it is made from besides the program, from this view alone.
            make: makes it, from nothing else.
            codec: knows the types of both.
        """
        if self._answers is None:
            return make(gather())
        lasting = self._answers.for_all_states(self._program)
        here = [_MADE_FROM, name]
        known = self._answers.get(here, _JSON)
        found = nothing if known is nothing else lasting.get([name, known[0]], codec)
        if found is not nothing:
            for kind, query, parameters in known[1] if self._asking.traces else ():
                self._note(kind, query, _PARAMETERS.made(parameters))
            return cast("_Made", found)
        with self._traced() as trace:
            gathered = gather()
        self._asked_for(trace)
        self._written = True
        key = lasting.digest_of(gathered, codec)
        with suppress(Unkeepable):
            plain = _PARAMETERS.plain
            asked = [[kind, query, plain(given)] for kind, query, given in trace.values()]
            self._answers.put(here, [key, asked], _JSON)
        return cast("_Made", lasting.made_by(name, key, lambda: make(gathered), codec))

    def _keep_answers(self, answers: Kept, events: int) -> None:
        """Keep answers, and the rows of a ledger of few events, from here on."""
        self._answers = answers
        self._rows = KeptRows(answers) if events <= _FEW_EVENTS else None

    def _tidy(self) -> None:
        """Write the rows that came, and throw away the oldest answers where there are too many."""
        if self._rows is not None:
            self._written |= self._rows.save()
        if self._written and self._answers is not None:
            self._answers.tidy()

    @contextmanager
    def working(self) -> Iterator[None]:
        """While something is computed whose whole result is kept, keep no single query."""
        self._working += 1
        try:
            yield
        finally:
            self._working -= 1

    def _came_back(self, key: str, digest_of: Callable[[], str]) -> None:
        """Remember what came back for whatever is being made: it would have to be asked again."""
        if self._asking.keeping and key not in self._digests:
            self._digests[key] = digest_of()

    def _note(self, kind: str, query: str, parameters: Sequence[Any]) -> str:
        """Note a question for whatever is being made; return what tells it from others."""
        given = list(parameters)
        key = repr((kind, query, given))
        if self._asking.traces:
            self._asking.traces[-1][key] = kind, query, given
        return key

    @contextmanager
    def _traced(self) -> Iterator[_Trace]:
        """Gather the questions that are asked meanwhile."""
        trace: _Trace = {}
        self._asking.traces.append(trace)
        try:
            yield trace
        finally:
            self._asking.traces.pop()

    def _asked_for(self, trace: _Trace) -> None:
        """Count the questions behind something among those of what is being made of it."""
        if self._asking.traces:
            self._asking.traces[-1].update(trace)

    def _comes_back(self, kind: str, query: str, parameters: object, known: str) -> bool:
        return self._digest(kind, query, _PARAMETERS.made(parameters)) == known

    def _digest(self, kind: str, query: str, parameters: list[Any]) -> str:
        key = self._note(kind, query, parameters)
        if key not in self._digests:
            self._digests[key] = self.digest_of((kind, query, parameters))
        return self._digests[key]


def digest_of_rows(rows: Rows) -> str:
    """Return a digest of the rows of a query, whose columns have one type each."""
    # JSON writes what is no number like what is missing.
    odd = any(
        cell is not None and cell - cell != 0.0
        for column in zip(*rows.rows, strict=True)
        if float in set(map(type, column))
        for cell in column
    )
    content = [list(rows.columns), rows.rows, repr(rows.rows) if odd else ""]
    return digest(orjson.dumps(content, default=str))


def digest_of_arrays(arrays: "dict[str, NDArray[Any]]") -> str:
    """Return a digest of the columns of a query as arrays."""
    parts = [
        [name, column.dtype.str, repr(column.tolist())]
        if column.dtype.hasobject
        else [name, column.dtype.str, digest(column.tobytes())]
        for name, column in arrays.items()
    ]
    return digest(orjson.dumps(parts))
