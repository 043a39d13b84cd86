"""Unread words: those that change nothing become the note, and those that could are asked.

Which word could change what is said: common practice, no source.
"""

import pytest

from roadworn.model.errors import UsageError
from roadworn.reading import read_findings


@pytest.mark.parametrize(
    ("line", "component", "condition", "kept"),
    [
        ("water pump weirdly leaking", "cooling.water_pump", "failed", "weirdly"),
        ("brake line over gas tank rusted thru", "brake.line", "failed", "gas tank"),
        ("coolant hose behind dash panel swollen", "cooling.hose", "failed", "dash panel"),
        ("radiator packed densely leaking", "cooling.radiator", "failed", "packed densely"),
        ("serpentine belt cracked at 45,000 mi", "engine.drive_belt", "wearing", "45,000 mi"),
        ("battery 2019 weak", "electrical.battery", "wearing", "2019"),
        ("rotor front 22.4 mm spec 23 mm bad", "brake.rotor", "failed", "spec 23 mm"),
        ("battery 12.4 V, dated 10/2022", "electrical.battery", "sound", "dated 10/2022"),
        ("front wiper blades like new", "body.wiper_blade", "sound", "front"),
        ("heatercore leaking", "hvac.heater_core", "failed", ""),
    ],
)
def test_words_that_change_nothing_are_kept(
    line: str, component: str, condition: str, kept: str
) -> None:
    (found,) = read_findings(line)
    assert (found.finding["component"], found.finding["condition"]) == (component, condition)
    assert kept in found.finding.get("note", "")
    assert len(found.finding.get("measurements", ())) <= 1


@pytest.mark.parametrize(
    "line",
    [
        *("LF tire barely ok", "LF tire nearly bald", "water pump supposedly leaking"),
        *("LF tire with gash ok", "seat track loose", "horn honker inop"),
        *("radiator support rusted", "tire LF 3/32 in, not safe", "water pump ok but hose leaking"),
        *("air bag deployed", "gear oil low", "rf tire nail in tread, holding air"),
    ],
)
def test_words_that_could_change_what_is_said_are_asked(line: str) -> None:
    with pytest.raises(UsageError):
        read_findings(line)
