"""Every setting that cannot be says so in one plain sentence, without the validator's own words."""

import pytest

from roadworn import PluginHost
from roadworn.analysis.host import make_settings
from roadworn.model.errors import UsageError

ANALYSES = {name: analysis for name, (_plugin, analysis) in PluginHost.load().analyses().items()}


@pytest.mark.parametrize("name", ANALYSES)
def test_no_setting_is_refused_in_words_of_the_validator(name: str) -> None:
    analysis = ANALYSES[name]
    for field in analysis.settings.model_fields:
        for odd in ("no such thing", -1, ["x", 3], {"a": 1}, float("nan")):
            try:
                make_settings(analysis, {field: odd})
            except UsageError as error:
                told = error.message
                assert "value error" not in told.casefold(), told
                assert "assertion" not in told.casefold(), told
                assert "input should" not in told.casefold(), told
                assert "should have" not in told.casefold(), told


def test_a_grouping_that_is_none_says_which_there_are() -> None:
    with pytest.raises(UsageError, match="cannot be 'depot': write one or more of component, "):
        make_settings(ANALYSES["part-lifespans"], {"by": "depot"})
