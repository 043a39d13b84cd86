"""Whether what an analysis returned can be shown: said to its author before it breaks a screen."""

from datetime import date
from decimal import Decimal

from roadworn.analysis import Chart, Estimate, Result, Table

#: What a result consists of, and what may stand in a cell.
_PARTS = {
    "tables": Table,
    "estimates": Estimate,
    "charts": Chart,
    "caveats": str,
    "cautions": str,
}
_CELLS = (str, int, float, Decimal, date, type(None))


def fault_of(result: object) -> str:
    """Return why a host cannot show a result, or an empty text; words are for its author."""
    if not isinstance(result, Result):
        return f"returned a {type(result).__name__} instead of a Result"
    headline: object = result.headline
    if not isinstance(headline, str):
        return f"returned a headline that is a {type(headline).__name__} and no text"
    for what, kind in _PARTS.items():
        given = getattr(result, what)
        if not isinstance(given, tuple | list):
            return f"returned {what} that are a {type(given).__name__} and no tuple"
        odd = [type(one).__name__ for one in given if not isinstance(one, kind)]
        if odd:
            return f"returned {what} with a {odd[0]} among them"
    names = [table.name for table in result.tables]
    twice = [name for name in names if names.count(name) > 1]
    if twice:
        return f"returned two tables called {twice[0]!r}"
    for table in result.tables:
        types: set[type] = {type(cell) for row in table.rows for cell in row}
        odd_types = [t for t in types if not issubclass(t, _CELLS) and t.__module__ != "numpy"]
        if odd_types:
            return f"returned a table {table.name!r} with a {odd_types[0].__name__} in a cell"
        columns = [column.name for column in table.columns]
        if len(set(columns)) < len(columns):
            return f"returned a table {table.name!r} with two columns of one name"
    return ""
