"""Figures and no code: a schedule of services for vehicles that work in the hills."""

from collections.abc import Sequence
from importlib.resources import files

from roadworn import DataFile, hookimpl

ROADWORN_HOOKS = 2


@hookimpl
def roadworn_data_files() -> Sequence[DataFile]:
    """Return the schedule, which the setting `schedule` of `maintenance-due` names."""
    return [DataFile("schedule_hills", "schedule", "Work in the hills", _read)]


def _read() -> str:
    return files("hillrules_roadworn").joinpath("hills.toml").read_text(encoding="utf-8")
