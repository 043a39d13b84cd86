"""The event kinds of the core: payload models, and what each kind is for."""

from roadworn.model.kinds.base import Payload
from roadworn.model.kinds.looks import Complaint, Inspection, Scan
from roadworn.model.kinds.vehicle import (
    Enrolment,
    InspectionResult,
    OdometerExchange,
    OdometerReading,
    ProfileChange,
    Retirement,
    Retraction,
    Valuation,
)
from roadworn.model.kinds.work import Authorisation, Estimate, Maintenance, Repair, Replacement

#: kind -> payload model of its current version. All core kinds are at version 1.
CORE_KINDS: dict[str, type[Payload]] = {
    "enrolment": Enrolment,
    "profile_change": ProfileChange,
    "odometer_reading": OdometerReading,
    "odometer_exchange": OdometerExchange,
    "inspection": Inspection,
    "scan": Scan,
    "replacement": Replacement,
    "repair": Repair,
    "maintenance": Maintenance,
    "estimate": Estimate,
    "authorisation": Authorisation,
    "complaint": Complaint,
    "valuation": Valuation,
    "inspection_result": InspectionResult,
    "retirement": Retirement,
    "retraction": Retraction,
}

__all__ = [
    "CORE_KINDS",
    "Authorisation",
    "Complaint",
    "Enrolment",
    "Estimate",
    "Inspection",
    "InspectionResult",
    "Maintenance",
    "OdometerExchange",
    "OdometerReading",
    "Payload",
    "ProfileChange",
    "Repair",
    "Replacement",
    "Retirement",
    "Retraction",
    "Scan",
    "Valuation",
]
