"""What customers and drivers say, and what mechanics write, in the demo's own words."""

#: component -> what is said when it fails on the road.
SAID: dict[str, tuple[str, ...]] = {
    "brake.caliper": ("Pulls to one side when braking.", "One wheel too hot to touch after a run."),
    "brake.wheel_speed_sensor": ("Antilock warning lamp came on.",),
    "suspension.stabilizer_link": ("Rattles over the harbour cobbles.", "Knocks on small bumps."),
    "wheel.bearing": ("Hum that rises with speed.", "Growls in left-hand bends.", "Drone at 40."),
    "electrical.battery": ("Would not crank this morning.", "Needed a jump start at the ferry."),
    "electrical.alternator": ("Charge lamp on, lights dim.", "Battery flat again after the run."),
    "electrical.starter": ("Only clicks.", "Turn the key and nothing happens, lights are fine."),
    "lighting.headlamp": ("One headlamp out.",),
    "cooling.water_pump": ("Coolant on the yard, gauge climbing.", "Runs hot on the hill."),
    "cooling.thermostat": ("Heater stays lukewarm.", "Gauge never reaches the middle."),
    "cooling.fan": ("Gets hot when standing in the queue for the ferry.",),
    "engine.belt_tensioner": ("Chirps at idle, worse when wet.",),
    "engine.timing_belt": ("Stopped dead and will not restart.",),
    "ignition.coil": ("Shakes at idle, lamp flashes.", "Jerks on the hill to the school."),
    "emission.oxygen_sensor": ("Engine lamp came on, drives as always.",),
    "emission.catalyst": ("Engine lamp came on.", "Lamp on again, a bit down on power."),
    "emission.egr_valve": ("Smokes and hesitates when pulling away.",),
    "emission.purge_valve": ("Hard to start after filling up.",),
    "drivetrain.clutch": ("Slips on the hill with a load.", "Bites right at the top."),
    "hvac.compressor": ("No cold air.", "Screech when the cooling is switched on."),
    "hvac.blower": ("Fan works on the top setting only.",),
    "body.door_latch": ("Door does not stay shut.", "Door will not open from inside."),
    "fuel.pump": ("Cuts out after twenty minutes.", "Cranks and cranks before it starts."),
}

#: component -> a note beside a finding that it has failed.
FOUND: dict[str, str] = {
    "brake.hose": "cracked to the cords",
    "steering.tie_rod_outer": "play in the joint",
    "suspension.ball_joint": "play with the wheel unloaded, boot torn",
    "suspension.strut": "oil down the body, no damping",
    "suspension.shock": "leaking past the seal",
    "cooling.hose": "swollen and soft",
    "engine.drive_belt": "ribs torn",
    "engine.mount": "rubber torn through",
    "engine.cover_gasket": "oil in the plug wells",
    "emission.exhaust_pipe": "holed at the seam, blowing",
    "drivetrain.cv_axle": "boot split, joint clicks on lock",
    "drivetrain.u_joint": "dry, notchy",
}

#: What is noted beside a part that is on its way out.
WEARING = ("first signs", "will want doing", "watch this", "not long now", "some wear")

#: The planted cause, written down at every look-over and never acted on.
EATER_NOTE = "front mount cracked on one side, engine rocks and the belt runs out of line"

#: Items an official station may send a vehicle back for that are no part's end of life.
STATION_ITEMS = ("headlamp aim", "plate lamp", "wiper smears", "loose exhaust shield", "horn weak")
