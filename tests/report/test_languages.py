"""A translation says everything that a report can say: read in the source, and seen on the demo."""

import ast
import csv
import json
import re
import sqlite3
from collections import defaultdict
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from string import Formatter

import pytest
from commandline import OutlookOf

from roadworn.say import Speaker, languages, strings

ROOT = Path(__file__).parents[2]
#: What the reports are made of: analyses, the outlook, the history, cautions and codes.
SOURCES = (
    "plugins/roadworn_plugins",
    "ledger/roadworn/analysis",
    "ledger/roadworn/say",
    "ledger/roadworn/trade",
)
OTHERS = [code for code in languages() if code != "en"]
#: Call -> places of its arguments that are read on a report.
TITLED = {"Column": (1,), "Table": (1,), "Chart": (1, 2, 3), "Analysis": (1, 2), "Series": (0,)}


def places(text: str) -> set[str]:
    return {name for _text, name, _form, _conversion in Formatter().parse(text) if name}


def text_of(node: ast.expr) -> str | None:
    return node.value if isinstance(node, ast.Constant) and isinstance(node.value, str) else None


def calls() -> Iterator[tuple[str, ast.Call]]:
    for folder in SOURCES:
        for path in sorted((ROOT / folder).rglob("*.py")):
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                if isinstance(node, ast.Call):
                    name = node.func
                    yield getattr(name, "id", getattr(name, "attr", "")), node


def sentences() -> dict[str, set[str]]:
    """Return code -> English templates, of the sentences whose code stands in the source."""
    found = defaultdict[str, set[str]](set)
    for name, call in calls():
        if name == "Sentence" and len(call.args) > 1:
            code, template = text_of(call.args[0]), text_of(call.args[1])
            if code and template:
                found[code].add(template)
        elif name == "Says" and isinstance(call.args[1], ast.Dict):
            for key, value in zip(call.args[1].keys, call.args[1].values, strict=True):
                word, template = text_of(key) if key else None, text_of(value)
                if word and template:
                    found[f"{text_of(call.args[0])}.{word}"].add(template)
    return found


def titles() -> set[str]:
    """Return what the source writes as titles, headings and questions."""
    found = set()
    for name, call in calls():
        named = {keyword.arg: keyword.value for keyword in call.keywords}
        given = [call.args[at] for at in TITLED.get(name, ()) if at < len(call.args)]
        if name in TITLED:
            given += [
                named[key] for key in ("title", "question", "x_title", "y_title") if key in named
            ]
        found |= {text for node in given if (text := text_of(node))}
    return found


@pytest.mark.parametrize("code", OTHERS)
def test_every_sentence_of_the_source_is_there_with_the_same_places(code: str) -> None:
    known, wrong = strings(code).sentences, {}
    source = sentences()
    assert len(source) > 250
    for name, templates in source.items():
        told = known.get(name)
        forms = (
            [told]
            if isinstance(told, str)
            else [told[k] for k in told if k != "by"]
            if told
            else []
        )
        for template in templates:
            if not forms or any(places(form) != places(template) for form in forms):
                wrong[name] = template
    assert wrong == {}


@pytest.mark.parametrize("code", OTHERS)
def test_every_title_of_the_source_is_there(code: str) -> None:
    source = titles()
    assert len(source) > 100
    assert sorted(source - strings(code).texts.keys()) == []


@pytest.mark.parametrize("code", OTHERS)
def test_every_trouble_code_on_the_list_has_its_meaning(code: str) -> None:
    text = (ROOT / "ledger/roadworn/trade/dtc.csv").read_text(encoding="utf-8")
    listed = {f"code.{row['code']}" for row in csv.DictReader(text.splitlines())}
    assert len(listed) > 150
    assert listed - strings(code).sentences.keys() == set()


def typed(value: object) -> Iterator[str]:
    """Yield every text of a payload, and its figures as texts."""
    if isinstance(value, dict | list):
        for one in value.values() if isinstance(value, dict) else value:
            yield from typed(one)
    elif value is not None:
        yield str(value)


@pytest.mark.slow
def test_the_spanish_reports_of_the_demo_have_no_english_but_what_was_typed(
    demo_ledger: Path, demo_outlook: OutlookOf, monkeypatch: pytest.MonkeyPatch
) -> None:
    from roadworn_cli.context import State
    from roadworn_cli.report.asking import Asker
    from roadworn_cli.report.fleet import fleet_report
    from roadworn_cli.report.page import render
    from roadworn_cli.report.vehicle import Request, vehicle_report
    from roadworn_cli.words import Look
    from roadworn_demo import DEMO_TODAY, FEATURED

    left: set[str] = set()
    whole = Speaker._foreign

    def foreign(self: Speaker, text: str) -> tuple[str, str]:
        left.add(text)
        return whole(self, text)

    monkeypatch.setattr(Speaker, "_foreign", foreign)
    state = State(demo_ledger, DEMO_TODAY, "recorded")
    host, look, pages = state.plugins(), Look(language="es"), []
    with state.open_view(host) as view:
        for vehicle, fulls in ((FEATURED, (True, False)), ("van-2", (False,))):
            found = demo_outlook(vehicle, view.usual_unit(vehicle))
            for full in fulls:
                request = Request(vehicle, full=full)
                pages.append(vehicle_report(Asker(host, view, look), request, found=found))
        quick = {"projection-backtest": {"days": 2}}
        pages.append(fleet_report(Asker(host, view, look), settings=quick))
    text = "".join(render(report, words) for report, words in pages)
    known = {*host.analyses(), "bundled"}
    with closing(sqlite3.connect(demo_ledger)) as rows:
        for vehicle, payload in rows.execute("SELECT vehicle_id, payload FROM events"):
            known |= {vehicle, *typed(json.loads(payload))}
        known |= {row[0][-8:] for row in rows.execute("SELECT event_id FROM events")}
        known |= {row[0] for row in rows.execute("SELECT root FROM checkpoints")}
    # Citations of the rules, the marks of how sure they are, and figures are of no language.
    names = re.compile(r"4[09] CFR [\d.()a-z]+|[A-Z]{1,2}|[\d\W]*")
    # Words of a complaint stand in quotation marks where an analysis quotes them.
    quoted = {
        text
        for text in left
        if text[:1] + text[-1:] == "“”" and any(text[1:-1] in one for one in known)
    }
    assert sorted(text for text in left - known - quoted if not names.fullmatch(text)) == []
    # Decimals and thousands: no point stands between digits but in names, codes and versions.
    shown = re.sub(r"<(style|svg)\b.*?</\1>", "", text, flags=re.DOTALL)
    assert len(re.findall(r">[^<]*\d,\d+ USD|>[^<]*\d,\d+ mm", shown)) > 5
    assert 'lang="es"' in text
    assert ' lang="en">Steering feels loose, engine lamp on, shakes when cold.<' in text
