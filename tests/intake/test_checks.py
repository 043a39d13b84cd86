"""The one list of checks: every rule in it is there, and each says what it is about."""

import pytest

from roadworn.checks import CHECKS, Check, rule_of
from roadworn.model.kinds import KindRegistry


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.rule)
def test_every_rule_of_the_list_is_there(check: Check) -> None:
    assert rule_of(check.rule).__doc__
    assert all(kind in KindRegistry() for kind in check.kinds)
