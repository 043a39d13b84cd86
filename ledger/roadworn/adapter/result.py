"""What was read of a vehicle, module by module."""

from dataclasses import dataclass
from typing import Any, Literal

from roadworn.model.messages import Problem


@dataclass(frozen=True, slots=True)
class ModuleRead:
    """One control module's answers.

    Attributes:
        address: its address on the line, ``7E8`` or ``10``.
        name: ``engine``, or the address again.
        stored: codes of service 03; None when they were not read, which is not "none".
        pending: codes of service 07, likewise.
        permanent: codes of service 0A, likewise; many vehicles do not offer them.
        readiness: its four status bytes as eight hexadecimal digits, or None.
    """

    address: str
    name: str
    stored: tuple[str, ...] | None = None
    pending: tuple[str, ...] | None = None
    permanent: tuple[str, ...] | None = None
    readiness: str | None = None

    @property
    def outcome(self) -> Literal["read", "failed"]:
        """Whether its stored codes were read; without them it says nothing about being clear."""
        return "failed" if self.stored is None else "read"

    def payload(self) -> dict[str, Any]:
        """Return the module as a part of the `scan` payload."""
        lists = (("stored", self.stored), ("pending", self.pending), ("permanent", self.permanent))
        codes = [
            {"code": code, "status": status} for status, codes in lists for code in codes or ()
        ]
        return {"name": self.name, "outcome": self.outcome, "codes": codes}


@dataclass(frozen=True, slots=True)
class AdapterScan:
    """One read of a vehicle.

    Attributes:
        vin: as the vehicle says, 17 legal characters, or None.
        modules: the engine's first, then by address; empty when nobody answered.
        lamp: ``on`` when any module commands it, ``off`` when all that could say so do not.
        readiness: the engine module's four bytes, or those of the first module that has them.
        distance_since_clear_km: distance since codes were cleared, or None.
        warm_ups: warm-ups since then, or None.
        minutes_since_clear: engine running time since then, or None.
        distance_with_lamp_km: distance driven with the lamp on, or None.
        odometer_km: the odometer where it is offered, or None.
        raw: everything that was asked and answered.
        problems: what could not be read, or does not agree with itself.
        remarks: facts that are no problem, such as a list the vehicle does not offer.
    """

    vin: str | None
    modules: tuple[ModuleRead, ...]
    lamp: Literal["on", "off"] | None
    readiness: str | None
    distance_since_clear_km: int | None
    warm_ups: int | None
    minutes_since_clear: int | None
    distance_with_lamp_km: int | None
    odometer_km: float | None
    raw: str
    problems: tuple[Problem, ...]
    remarks: tuple[str, ...] = ()

    @property
    def failed(self) -> bool:
        """Whether no module's stored codes were read at all."""
        return all(module.outcome == "failed" for module in self.modules)

    @property
    def odometer(self) -> tuple[float, Literal["km"]] | None:
        """The odometer with its unit, for the envelope of the event."""
        return None if self.odometer_km is None else (self.odometer_km, "km")

    def other_vehicle(self, enrolled_vin: str | None) -> Problem | None:
        """Return a problem when the vehicle on the socket is not the one it is written down for.

        Args:
            enrolled_vin: the VIN in the ledger, or None when it holds none.
        """
        if not self.vin or not enrolled_vin or self.vin == enrolled_vin.strip().upper():
            return None
        return Problem.of(
            "other-vehicle",
            f"The vehicle read says its VIN is {self.vin}, but {enrolled_vin} is enrolled",
            "check which vehicle the adapter sits in, and compare both with the plate",
            "vin",
        )

    def payload(self) -> dict[str, Any]:
        """Return the payload of a `scan` event.

        When nobody answered it still says that an attempt failed. Problems and remarks go into
        its note, so that the ledger tells on a later day what this read could not tell.
        """
        nobody = ({"name": "engine", "outcome": "failed", "codes": []},)
        distance = self.distance_since_clear_km
        told = (*(problem.message for problem in self.problems), *self.remarks)
        fields = {
            "modules": [module.payload() for module in self.modules] or list(nobody),
            "lamp": self.lamp,
            "readiness": self.readiness,
            "distance_since_clear": None if distance is None else float(distance),
            "distance_unit": None if distance is None else "km",
            "warm_ups_since_clear": self.warm_ups,
            "raw": self.raw or None,
            "note": " ".join(told) or None,
        }
        return {name: value for name, value in fields.items() if value is not None}


def nobody(why: str, hint: str, raw: str) -> AdapterScan:
    """Return the result of a read that found no vehicle to talk to."""
    problem = Problem("scan-failed", f"The vehicle could not be read: {why}.", hint)
    return AdapterScan(None, (), None, None, None, None, None, None, None, raw, (problem,))
