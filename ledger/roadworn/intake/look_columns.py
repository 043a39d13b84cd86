"""What a column may be, by its heading: words of the trade and of spreadsheets, several languages.

Which heading means what: common practice, no source.
"""

import re
from collections.abc import Mapping
from functools import cache

from roadworn.intake.map_sections import fold

#: Our field -> headings that feed it, the more telling ones first.
_HEADINGS: Mapping[str, str] = {
    "vehicle_id": (
        "vehicle id; vehicle no; vehicle number; vehicle; unit no; unit number; unit; unit id; "
        "fleet no; fleet number; fleet id; fleet; "
        "asset; asset id; asset no; equipment; equip no; equip; "
        "equipment id; bus; van; truck; truck no; car; veh; veh no; veh id; machine; vehiculo; "
        "unidad; n° unidad; fahrzeug; fahrzeugnr; fzg; fzg nr; wagen; vehicule; véhicule; voertuig"
    ),
    "plate": (
        "plate; license plate; licence plate; number plate; registration; reg; reg no; rego; "
        "license; tag; matricula; placa; patente; kennzeichen; immatriculation; kenteken"
    ),
    "occurred_at": (
        "date; day; service date; date of service; date done; date completed; completed; "
        "date in; date fitted; fitted on; date out; work date; job date; ro date; wo date; "
        "invoice date; posting date; closed; date closed; opened; date opened; fecha; datum; "
        "arbeitsdatum; belegdatum; fecha servicio; tag; when; read on; reading date; jour; data"
    ),
    "odometer": (
        "odometer; odo; mileage; miles; odometer reading; meter; meter reading; reading; km; kms; "
        "kilometers; kilometres; kilometraje; kilometrage; km stand; km-stand; kilometerstand; "
        "tacho; odometro; odómetro; counter; mi; distance; current mileage; kilometrage"
    ),
    "odometer_unit": (
        "odometer unit; mileage unit; meter unit; distance unit; unit of distance; meter type; "
        "type of meter; meter kind; reading type; usage type; usage unit"
    ),
    "jobs": (
        "work done; work performed; work; job; jobs; description; job description; "
        "work description; service; service performed; services; repair; repairs; task; tasks; "
        "operation; labor description; labour description; line description; correction; item; "
        "part; parts; part description; part name; component; what; trabajo; trabajos; "
        "descripcion; descripción; servicio; arbeit; arbeiten; beschreibung; leistung; teil; "
        "travaux; werkzaamheden; omschrijving; pieza; repuesto; job done; fault; details; "
        "work carried out; maintenance; reparatur; bezeichnung; intervention; libelle; libellé"
    ),
    "position": "position; pos; location on vehicle; wheel; place; posicion; posición; side; axle",
    "reason": (
        "reason; why; type; job type; work type; category; reason for repair; cause; repair type; "
        "wo type; order type; motivo; tipo; grund; art; failure; reason code; class of work"
    ),
    "parts_cost": (
        "parts cost; part cost; parts; parts amount; parts total; parts $; material; "
        "material cost; unit price; price; parts price; repuestos; material total; teile; "
        "teilekosten; materialkosten; precio; preis; pieces"
    ),
    "labour_cost": (
        "labor cost; labour cost; labor; labour; labor amount; labour amount; labor $; "
        "labor total; labour total; mano de obra; lohn; arbeitskosten; lohnkosten"
    ),
    "other_cost": (
        "total; total cost; cost; amount; total amount; invoice total; invoice amount; net; "
        "net amount; charge; sublet; sublet cost; importe; coste; costo; betrag; kosten; "
        "gesamt; gesamtbetrag; summe; montant; bedrag; wo total; job cost; value; price total"
    ),
    "hours": (
        "engine hours; engine hrs; hour meter; hourmeter; hour meter reading; hours meter; "
        "meter hours; machine hours; run hours; running hours; hours run; smu; eng hrs; "
        "operating hours; betriebsstunden; motorstunden; horometro; horómetro; horas de motor"
    ),
    "days": (
        "days off road; days down; days out of service; downtime days; days out; days idle; "
        "days standing; vor days; dias parado; ausfalltage; standtage"
    ),
    "labour_hours": (
        "hours; labor hours; labour hours; hrs; labor hrs; labour hrs; time; horas; stunden; std; "
        "heures; uren; charged hours; labor time"
    ),
    "clocked_hours": "clock hours; clocked; clocked hours; actual hours; hours by the clock",
    "labour_rate": "labor rate; labour rate; rate; hourly rate; hourly; stundensatz; tarifa",
    "supplier": (
        "supplier; vendor; bought from; parts supplier; source; from; proveedor; lieferant; "
        "fournisseur; leverancier; vendor name; supplier name; shop; garage; workshop"
    ),
    "maker": "maker; brand; manufacturer; part brand; marca; hersteller; make of part",
    "part_number": (
        "part number; part no; part #; part no.; pn; p/n; article; article no; artikel; "
        "artikelnr; teilenummer; sku; referencia; stock number; stock no; item number; item no"
    ),
    "quantity": "quantity; qty; no of; count; cantidad; menge; anzahl; stk; pcs; units; aantal",
    "work_order": (
        "work order; wo; wo no; wo #; wo number; work order no; work order number; order; "
        "order no; ro; ro no; ro number; repair order; invoice; invoice no; invoice number; "
        "job no; job number; ticket; ot; orden; orden de trabajo; auftrag; auftragsnr; "
        "auftragsnummer; belegnr; bon; n° ot; w/o; w o; rechnung; ref; reference"
    ),
    "done_by": (
        "done by; technician; tech; mechanic; mech; fitter; initials; by; worked by; employee; "
        "tecnico; técnico; mecanico; mecánico; monteur; mechaniker; assigned to"
    ),
    "note": (
        "note; notes; remark; remarks; comment; comments; memo; observaciones; bemerkung; "
        "bemerkungen; notas; anmerkung; opmerking; remarques"
    ),
    "warranty": "warranty; guarantee; garantia; garantía; garantie; gewährleistung; wty",
    "vin": "vin; vin number; chassis; chassis no; serial; serial no; bastidor; fin; fahrgestellnr",
    "make": "make; marke; vehicle make; fabrikat",
    "model": "model; modelo; modell; vehicle model; modele; modèle",
    "model_year": "year; model year; my; year of manufacture; año; ano; baujahr; jahr; annee",
    "vehicle_class": "class; vehicle class; vehicle type; group; vehicle group; clase; klasse",
    "in_service_date": (
        "in service; in service date; in-service date; date in service; delivered; "
        "delivery date; first registered; erstzulassung; fecha alta; inbetriebnahme"
    ),
    "purchase_date": "purchase date; bought on; bought; acquired; date bought; "
    "purchased; purchased on; date purchased; date of purchase; date acquired;  kaufdatum",
    "purchase_price": "purchase price; price paid; paid; acquisition cost; kaufpreis",
    "label": "name; label; nickname; known as; vehicle name; nombre; bezeichnung fahrzeug",
    "engine": "engine; motor; engine type",
    "gearbox": "gearbox; transmission; getriebe",
    "fuel": "fuel; fuel type; kraftstoff; combustible",
    "amount": (
        "gallons; gal; gals; litres; liters; liter; litre; ltr; ltrs; kwh; fuel quantity; "
        "fuel qty; "
        "fuel amount; fuel volume; galones; litros; volume; quantity of fuel"
    ),
    "complaint": "complaint; customer complaint; symptom; reported; driver report; defect",
    "currency": "currency; moneda; währung; waehrung; cur; ccy",
    "depot": (
        "depot; location; site; branch; yard; garage name; home depot; base; deposito; standort; "
        "niederlassung; division; department; cost center; cost centre; terminal"
    ),
    "condition": "condition; zustand; estado; result; finding",
    "measurement": "measured; measurement; reading mm; tread; depth; thickness; medida; messwert",
    "codes": "codes; dtc; dtcs; fault codes; trouble codes; codigos",
    "section": "section",
}
#: Fields that one event of work has once; a second column of the sort stays unused.
WORK_FIELDS = ("jobs", "part_number", "supplier", "labour_hours", "parts_cost", "labour_cost")
#: Fields that describe a vehicle, from two of which on a table without work is a list of vehicles.
PROFILE = ("vin", "make", "model", "model_year", "vehicle_class", "in_service_date", "label")


@cache
def _roles() -> Mapping[str, tuple[str, int]]:
    made: dict[str, tuple[str, int]] = {}
    for role, words in _HEADINGS.items():
        for rank, word in enumerate(words.split(";")):
            made.setdefault(_plain(word), (role, rank))
    return made


def _plain(heading: str) -> str:
    """Return a heading as it is looked up: signs left out, a unit in brackets too."""
    folded = re.sub(r"\(.*?\)|\[.*?\]", " ", fold(heading).replace("_", " "))
    folded = re.sub(r"[^\w#$/°-]+", " ", folded)
    return " ".join(folded.split()).strip(" -/#$")


def role_of(heading: str) -> str:
    """Return the field that a heading names, or an empty text."""
    return ranked(heading)[0]


def ranked(heading: str) -> tuple[str, int]:
    """Return the field that a heading names, and how telling it is, 0 the most."""
    known = _roles()
    plain = _plain(heading)
    for form in (
        plain,
        plain.rstrip("s"),
        plain.replace("-", " "),
        plain.replace("labor", "labour"),
    ):
        if form in known:
            return known[form]
    # "Auftrag / W.O.": one thing in two words.
    for part in plain.split("/") if "/" in plain else ():
        if part.strip() in known:
            return known[part.strip()][0], known[part.strip()][1] + 50
    # "Unit No (fleet)", "Total USD", "Mileage (mi)", "Front Work done": the last or first words.
    tokens = plain.split()
    for length in range(min(3, len(tokens) - 1), 0, -1):
        for part in (" ".join(tokens[-length:]), " ".join(tokens[:length])):
            if part in known:
                return known[part][0], known[part][1] + 100
    return "", 0


#: Words of a column that says the unit of each reading -> our unit (common practice, no source).
DISTANCE_UNITS: Mapping[str, str] = {
    **dict.fromkeys(("km", "kms", "km.", "k", "kilometers", "kilometres", "kilometer"), "km"),
    **dict.fromkeys(("mi", "mi.", "mile", "miles", "mls", "m"), "mi"),
}
#: Words of such a column of what counts hours, and of what counts a distance of a unit not said.
METERS: Mapping[str, str] = {
    **dict.fromkeys(("h", "hr", "hrs", "hour", "hours", "std", "stunden", "horas", "heures"), "h"),
    **dict.fromkeys(("engine hours", "hour meter", "hourmeter", "hours meter", "eng hrs"), "h"),
    **dict.fromkeys(("distance", "odometer", "odo", "mileage", "road"), ""),
}
_THOUSANDS = re.compile(r"(?<!\d)['x×*]?\s?(?:1[.,]?)?000s?\b|\bthousands?\b|\btsd\b|\bmiles de\b")


def in_thousands(heading: str) -> bool:
    """Return whether a heading says that its figures are thousands, as "Odo (000 mi)" does."""
    return bool(_THOUSANDS.search(heading.casefold()))


def unit_in(heading: str) -> str:
    """Return the unit of distance that a heading says, or an empty text."""
    words = set(re.findall(r"[^\W\d_]+", heading.casefold()))
    if words & {"km", "kms", "kilometers", "kilometres", "kilometraje", "kilometerstand"}:
        return "km"
    # "Mileage" is said of kilometres as well.
    return "mi" if words & {"mi", "miles"} else ""


def energy_unit_in(heading: str) -> str:
    """Return the unit of fuel or electricity that a heading says, or an empty text."""
    words = set(re.findall(r"[^\W\d_]+", heading.casefold()))
    if words & {"gallons", "gallon", "gal", "gals", "galones"}:
        return "gal"
    if "kwh" in words:
        return "kWh"
    litres = {"litres", "liters", "liter", "litre", "ltr", "ltrs", "litros", "l"}
    return "l" if words & litres else ""


def currency_in(text: str) -> str:
    """Return the ISO code of a currency that a heading or a cell names, or an empty text."""
    from roadworn.model.amounts import currency_codes

    for word in re.findall(r"(?<![A-Za-z])[A-Z]{3}(?![A-Za-z])", text):
        if word in currency_codes():
            return str(word)
    return ""
