"""Runs the analyses' SQL on Spark over exported columns, for ledgers that outgrow one machine.

There is one text of each query, DuckDB's; sqlglot says it in Spark's words. What comes back comes
through Arrow and is given the very types that DuckDB gives it, so the estimators cannot tell who
ran the query. Spark and sqlglot are the extra ``roadworn[spark]``.
"""

import os
import re
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

from roadworn.model.errors import EnvironmentFailure, QueryError

if TYPE_CHECKING:
    import duckdb

_WORD = re.compile(r"[a-z_][a-z0-9_]*")
_MISSING = "Spark is not installed here"
_REMEDY = 'install Java 17 and the extra: pip install "roadworn[spark]"'


class FileTable(NamedTuple):
    """A table in files: each part a view by its name over some files, and the SELECT over these."""

    parts: list[tuple[str, list[str]]]
    select: str


def session() -> Any:  # noqa: ANN401  # Spark has no types to speak of
    """Return a Spark session, on this machine unless SPARK_MASTER names another.

    Raises:
        EnvironmentFailure: Spark, sqlglot or Java is missing.
    """
    try:
        import sqlglot  # noqa: F401
        from pyspark.sql import SparkSession
    except ImportError:
        raise EnvironmentFailure(_MISSING, _REMEDY) from None
    try:
        return (
            SparkSession.builder.master(os.environ.get("SPARK_MASTER", "local[*]"))
            .appName("roadworn")
            .config("spark.ui.enabled", "false")
            .config("spark.sql.session.timeZone", "UTC")
            .config("spark.sql.ansi.enabled", "false")
            .config("spark.sql.shuffle.partitions", "8")
            .config("spark.sql.execution.arrow.pyspark.enabled", "true")
            .config("spark.ui.showConsoleProgress", "false")
            .config("spark.log.level", "OFF")
            .getOrCreate()
        )
    except Exception as error:  # noqa: BLE001  # Java is missing, or does not start
        why = type(error).__name__
        raise EnvironmentFailure(f"Spark does not start ({why})", _REMEDY) from None


def translated(query: str, parameters: Sequence[Any] = ()) -> str:
    """Return a query of DuckDB's in Spark's words, its values put in.

    Raises:
        QueryError: it cannot be said so.
    """
    import sqlglot
    from sqlglot import exp

    try:
        tree = sqlglot.parse_one(query, read="duckdb")
        values = iter(parameters)
        for place in list(tree.find_all(exp.Placeholder, bfs=False)):
            place.replace(exp.convert(next(values)))
        strict = sqlglot.ErrorLevel.RAISE
        return str(_in_spark(tree).sql(dialect="spark", unsupported_level=strict))
    except (sqlglot.errors.SqlglotError, StopIteration) as error:
        reason = (str(error).splitlines() or ["a value is missing"])[0].rstrip(".")
        raise QueryError(f"The query cannot be said in Spark's SQL: {reason}.") from None


def _in_spark(tree: Any) -> Any:  # noqa: ANN401
    """Say by hand what sqlglot says wrongly or drops.

    Raises:
        QueryError: an order within an aggregate would be dropped.
    """
    from sqlglot import exp

    for literal in list(tree.find_all(exp.Literal)):
        # DuckDB divides by 365.25 in floating point, Spark in decimals of few places.
        if not literal.is_string and "." in literal.this:
            literal.replace(exp.cast(literal.copy(), "double"))
    for among in list(tree.find_all(exp.In)):
        inner = among.args.get("query")
        select = inner.this if isinstance(inner, exp.Subquery) else inner
        if isinstance(select, exp.Select) and isinstance(select.expressions[0], exp.Tuple):
            select.set("expressions", select.expressions[0].expressions)
    for share in list(tree.find_all(exp.PercentileCont)):
        share.replace(exp.func("percentile", share.this, share.expression))
    for part in list(tree.find_all(exp.Bracket)):
        cut = part.expressions[0]
        if isinstance(cut, exp.Slice):
            length = exp.Paren(this=cut.expression - cut.this + 1)
            part.replace(exp.func("slice", part.this, cut.this, length))
    for gathered in list(tree.find_all(exp.ArrayAgg)):
        if isinstance(gathered.this, exp.Order):
            gathered.replace(_sorted_list(gathered.this))
    if any(isinstance(order.parent, exp.AggFunc) for order in tree.find_all(exp.Order)):
        raise QueryError("The query cannot be said in Spark's SQL: it orders within an aggregate.")
    return tree


def _sorted_list(order: Any) -> Any:  # noqa: ANN401
    """Return a list in an order, which Spark sorts once it is gathered; what is missing is last."""
    import sqlglot

    keys = [
        (key.this.sql(dialect="spark"), bool(key.args.get("desc"))) for key in order.expressions
    ]
    named = ", ".join(f"{text} AS k{n}" for n, (text, _desc) in enumerate(keys))
    compared = "0"
    for n, (_text, descending) in reversed(list(enumerate(keys))):
        left, right = (f"r.k{n}", f"l.k{n}") if descending else (f"l.k{n}", f"r.k{n}")
        compared = (
            f"CASE WHEN l.k{n} IS NULL AND r.k{n} IS NULL THEN {compared} "
            f"WHEN l.k{n} IS NULL THEN 1 WHEN r.k{n} IS NULL THEN -1 "
            f"WHEN {left} < {right} THEN -1 WHEN {left} > {right} THEN 1 ELSE {compared} END"
        )
    value = order.this.sql(dialect="spark")
    return sqlglot.parse_one(
        f"transform(array_sort(collect_list(struct({named}, {value} AS v)), "
        f"(l, r) -> {compared}), one -> one.v)",
        read="spark",
    )


def quoted(name: str) -> str:
    """Return the name of a column as SQL has it, whatever is in it."""
    doubled = name.replace('"', '""')
    return f'"{doubled}"'


class SparkReader:
    """Answers queries by Spark, in the place of `columns.session.Reader`.

    Args:
        con: DuckDB over the same columns, which tells of what types an answer is.
        tables: by name, what is in the files.
    """

    def __init__(self, con: "duckdb.DuckDBPyConnection", tables: Mapping[str, FileTable]) -> None:
        from roadworn.columns.session import Reader

        self.con = con
        self._duckdb = Reader(con)
        self._spark = session()
        self._unknown = dict(tables)

    def take(self, query: str) -> None:
        """Refuse whatever is no single SELECT."""
        self._duckdb.take(query)

    def _know(self, query: str) -> None:
        """Make the tables that the words of a query may mean known to Spark."""
        for name in sorted(set(_WORD.findall(query.lower())) & self._unknown.keys()):
            table = self._unknown.pop(name)
            for part, files in table.parts:
                self._spark.read.parquet(*files).createOrReplaceTempView(part)
            self._spark.sql(translated(table.select)).createOrReplaceTempView(name)

    def run(self, query: str, parameters: Any = ()) -> Any:  # noqa: ANN401
        """Run a query by Spark; what comes back has DuckDB's types and waits to be fetched.

        Raises:
            QueryError: it is no single SELECT, or Spark cannot run it.
        """
        import duckdb
        from pyspark.errors import PySparkException

        head = self._duckdb.run(f"SELECT * FROM (\n{query}\n) LIMIT 0", parameters).description
        self._know(query)
        try:
            found = self._spark.sql(translated(query, list(parameters))).toArrow()
        except PySparkException as error:
            reason = (str(error).splitlines() or [""])[0].rstrip(".")
            raise QueryError(f"Spark cannot run the query: {reason}.") from None
        # Two columns of one name are told apart by their places.
        names = [f"c{number}" for number in range(found.num_columns)]
        con = duckdb.connect(":memory:", config={"python_enable_replacements": "false"})
        con.execute("SET TimeZone = 'UTC'")
        con.register("answer", found.rename_columns(names))
        cells = ", ".join(
            f"CAST({name} AS {kind}) AS {quoted(str(shown))}"
            for name, (shown, kind, *_rest) in zip(names, head or (), strict=True)
        )
        return con.execute(f"SELECT {cells} FROM answer")
