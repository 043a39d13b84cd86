"""What a vehicle does not have: doubted when it is written down, left out of its sheet."""

from commandline import Run


def test_spark_plugs_of_an_electric_car_are_a_doubt_and_kept(run: Run) -> None:
    assert run("create").code == 0
    made = run("enrol", "van-9", "-o", "12,000 mi", "--fuel", "electric", "--drive", "rear",
               "--rear-brakes", "drum")  # fmt: skip
    assert made.code == 0, made.err
    assert made.err == ""
    done = run("record", "replacement", "van-9", "spark plug 1", "--reason", "worn-out",
               "-o", "12,100 mi")  # fmt: skip
    assert done.code == 0
    assert "By its fuel, electric, it has no spark plug." in done.out + done.err
    assert "is the fuel right?" in done.out + done.err
    shaft = run("record", "inspection", "van-9", "CV axle LF failed; CV axle LR failed")
    assert shaft.code == 0
    assert "By its drive, rear, it has no constant velocity axle LF." in shaft.out + shaft.err
    plain = run("record", "inspection", "van-9", "tire LF 6/32 in")
    assert "has no" not in plain.out + plain.err


def test_the_sheet_to_fill_in_leaves_out_what_it_does_not_have(run: Run) -> None:
    assert run("create").code == 0
    assert run("enrol", "van-9", "-o", "12,000 mi", "--fuel", "electric").code == 0
    whole = run("sheets", "light", "--blank").out
    own = run("sheets", "light", "--blank", "--for", "van-9").out
    assert "engine.oil" in whole
    assert not [word for word in ("engine.oil", "air.filter", "fuel.tank") if word in own]
    assert "wheel.tire" in own
    # What was once replaced on it is a part that it has.
    done = run("record", "replacement", "van-9", "engine air filter", "--reason", "worn-out")
    assert done.code == 0
    assert "air.filter" in run("sheets", "light", "--blank", "--for", "van-9").out
    assert run("sheets", "light", "--for", "van-9").code == 2


def test_words_of_the_drive_are_the_trade_s(run: Run) -> None:
    assert run("create").code == 0
    wrong = run("enrol", "van-9", "--drive", "rwd")
    assert wrong.code == 2
    assert "front, rear" in wrong.err
