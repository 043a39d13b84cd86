"""What replacing a component has cost in this shop, parts and labour together.

Prices come from the ledger's own replacements of the same component and class; a wider group
stands in when there are fewer than three, and says so. Two currencies are never added: the
currency that most replacements were paid in is used, the others are left out and counted.
"""

from dataclasses import dataclass

from roadworn.view import LedgerView

_LEAST = 3


@dataclass(frozen=True, slots=True)
class Price:
    """Cost of one replacement: a middle figure and the range of most of them."""

    low: float
    middle: float
    high: float
    currency: str
    number: int
    basis: str


@dataclass(frozen=True, eq=False)
class Prices:
    """Prices by component, with and without the class of vehicle."""

    currency: str
    by_class: dict[tuple[str, str], Price]
    by_component: dict[str, Price]
    other_currencies: int

    @classmethod
    def load(cls, view: LedgerView) -> "Prices":
        """Read the prices that the ledger has seen, latest five years."""
        totals = view.sql(
            """SELECT currency, count(*) FROM replacements WHERE total_cost > 0
               GROUP BY currency ORDER BY count(*) DESC, currency"""
        ).rows
        currency = str(totals[0][0]) if totals else ""
        wide = _groups(view, currency, by_class=False)
        narrow = _groups(view, currency, by_class=True)
        return cls(
            currency=currency,
            by_class={(key[0], key[1]): price for key, price in narrow.items()},
            by_component={key[0]: price for key, price in wide.items()},
            other_currencies=sum(int(number) for _currency, number in totals[1:]),
        )

    def replacement(self, component: str, vehicle_class: str | None) -> Price | None:
        """Return the price for a component on a class, or None when none was ever recorded."""
        own = self.by_class.get((component, vehicle_class)) if vehicle_class else None
        wide = self.by_component.get(component)
        if own is not None and (own.number >= _LEAST or wide is None or wide.number < _LEAST):
            return own
        return wide or own


def _groups(view: LedgerView, currency: str, *, by_class: bool) -> dict[tuple[str, ...], Price]:
    keys = "component, vehicle_class" if by_class else "component"
    rows = view.sql(
        f"""SELECT {keys}, quantile_cont(cost, 0.1), quantile_cont(cost, 0.5),
                   quantile_cont(cost, 0.9), count(*)
            FROM (SELECT r.component, v.vehicle_class, CAST(r.total_cost AS DOUBLE) AS cost,
                         row_number() OVER (PARTITION BY r.component{", v.vehicle_class" * by_class}
                                            ORDER BY r.occurred_on DESC, r.seq DESC) AS back
                  FROM replacements AS r JOIN vehicles AS v USING (vehicle_id)
                  WHERE r.total_cost > 0 AND r.currency = ?)
            WHERE back <= 30
            GROUP BY {keys}""",
        (currency,),
    ).rows
    found = {}
    for *key, low, middle, high, number in rows:
        where = f"on {key[1]}" if by_class else "on all classes"
        found[tuple(str(cell) for cell in key)] = Price(
            low=float(low),
            middle=float(middle),
            high=float(high),
            currency=currency,
            number=int(number),
            basis=f"{int(number)} replacements {where}",
        )
    return found
