"""What an emission inspection by the onboard system would say about a read-out.

40 CFR 85.2207 for what fails; for how many monitors may be unfinished, EPA's final rule of
5 April 2001 (66 FR 18155) and guidance EPA420-R-01-015: two for model years 1996 to 2000,
one for 2001 and newer. The section's present text shows no count, so the guidance is cited.
States differ, so everything is a setting, and the answer is an outlook, not an inspection.
"""

from dataclasses import dataclass
from typing import Literal

from roadworn.trade.readiness import Readiness

Outcome = Literal["pass", "fail", "reject", "not_tested"]


@dataclass(frozen=True, slots=True)
class EmissionRule:
    """Settings of one programme; the defaults are the federal pair. Check your state.

    Attributes:
        first_year: model years before this one are not tested by the onboard system.
        allowed_to_2000: unfinished monitors allowed for model years up to 2000.
        allowed_from_2001: unfinished monitors allowed from 2001 on.
        fail_on_permanent: whether a permanent code fails by itself.
    """

    first_year: int = 1996
    allowed_to_2000: int = 2
    allowed_from_2001: int = 1
    fail_on_permanent: bool = False

    def allowed(self, model_year: int) -> int:
        """Return how many supported monitors may be unfinished."""
        return self.allowed_to_2000 if model_year <= 2000 else self.allowed_from_2001


@dataclass(frozen=True, slots=True)
class EmissionOutlook:
    """The outcome in the inspection's words, with its reason and citation."""

    outcome: Outcome
    reason: str
    citation: str


def judge_emission(
    readiness: Readiness,
    model_year: int,
    *,
    permanent_codes: int = 0,
    rule: EmissionRule | None = None,
) -> EmissionOutlook:
    """Judge a read-out. A lamp commanded on fails before readiness is looked at."""
    rule = rule or EmissionRule()
    guidance = "66 FR 18155 and EPA420-R-01-015; check your state"
    if model_year < rule.first_year:
        return EmissionOutlook(
            "not_tested", f"model years before {rule.first_year} are not tested so", guidance
        )
    if readiness.lamp:
        return EmissionOutlook("fail", "the lamp is commanded on", "40 CFR 85.2207(c)")
    if rule.fail_on_permanent and permanent_codes:
        return EmissionOutlook("fail", f"{permanent_codes} permanent codes", "state rule (setting)")
    waiting, allowed = len(readiness.not_ready), rule.allowed(model_year)
    if waiting > allowed:
        return EmissionOutlook(
            "reject", f"{waiting} monitors are not ready where {allowed} may be", guidance
        )
    return EmissionOutlook("pass", f"{waiting} monitors are not ready, {allowed} may be", guidance)
