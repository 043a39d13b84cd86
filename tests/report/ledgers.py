"""Small ledgers to make reports of: a vehicle with some years, any text in every field."""

from roadworn.model.events import NewEvent
from roadworn.testing import event

#: The day as of which their reports are made: some months after the last event.
AS_OF = "2026-06-01"
#: Markup that would run, a word that never ends, writing from the right, signs of all sorts.
MARKUP = (
    "<script>document.title='RAN'</script>"
    "<img src='http://127.0.0.1:9/x' onerror=\"document.title='RAN'\">"
)
LONG = "Donaudampfschiff" * 9
SIGNS = "\u202eשלום مرحبا 🚗 $x_2$ $\\frac{ {{7*7}} {% raw %} ' \" & ]]>"
#: As long as a short text may be.
HOSTILE = f"{MARKUP} {SIGNS}"[:190]


def years_of_trouble(vehicle: str, text: str, component: str = "brake.pad") -> list[NewEvent]:
    """Return a vehicle with some years on record, `text` in every field that takes one."""
    short, place = text[:190], text[:24]
    # Events are written as the small kit of the plugin authors writes them.
    events = [
        event(
            vehicle, "enrolment", "2020-01-02", odometer=10_000, label=short, make=short,
            model=short, model_year=2015, vehicle_class=short, vin=text[:25], engine=short,
            gearbox=short, fuel=short, duty=short, owner_reference="OWNER-1", note=text,
        )
    ]  # fmt: skip
    for year in range(2020, 2026):
        at = 10_000 + (year - 2019) * 12_000
        events += [
            event(
                vehicle, "inspection", f"{year}-03-04", odometer=at,
                findings=(
                    {"component": component, "position": "front", "condition": "wearing",
                     "note": text, "measurements": ({"value": 9.0 - year % 4, "unit": "mm",
                                                     "name": short},)},
                    {"component": "steering.tie_rod_outer", "position": place,
                     "condition": "failed", "safety": True, "note": text},
                ),
                sheet=short, note=text,
            ),
            event(
                vehicle, "scan", f"{year}-03-05", odometer=at + 5, lamp="on", note=text, raw=text,
                modules=({"name": short, "codes": ({"code": "P0420"},)},),
            ),
            event(
                vehicle, "replacement", f"{year}-06-07", odometer=at + 3_000,
                component="ignition.coil", position="1", reason="failed", part_number=short,
                maker=short, supplier=short, work_order=short, note=text,
                parts_cost={"amount": "60.00", "currency": "USD"},
            ),
            event(
                vehicle, "complaint", f"{year}-06-06", odometer=at + 2_990, complaint=text,
                cause=text, correction=text, component="ignition.coil", position=place,
            ),
        ]  # fmt: skip
    return events
