"""The outlook says which odometer readings a person has to settle. Common practice, no source."""


def test_the_outlook_names_readings_that_contradict_each_other_until_they_are_borne_out(run):
    run("create")
    run("enrol", "van", "--odometer", "512 km", "--on", "2025-01-01")
    run("record", "reading", "van", "90,000 km", "--on", "2025-08-01")
    run("record", "reading", "van", "1,012 km", "--on", "2025-09-01", "--sure")
    said = run("outlook", "van")
    assert "To settle: The odometer readings 90,000 km on 2025-08-01 and 1,012 km on" in said.out
    assert "roadworn correct" in said.out
    run("record", "reading", "van", "1,500 km", "--on", "2025-10-01", "--sure")
    assert "To settle: The odometer" not in run("outlook", "van").out
