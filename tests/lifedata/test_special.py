"""The special functions are SciPy's own, and taking them by themselves leaves SciPy whole."""

import subprocess
import sys

import numpy as np
import pytest
from scipy import special as whole

from roadworn_plugins.lifedata import special

LEAN = """
import sys
from roadworn_plugins.lifedata import special as ours
assert "scipy._lib.array_api_compat" not in sys.modules
assert "scipy.special" not in sys.modules
import scipy.special, scipy.stats
assert scipy.special.gammaln is ours.gammaln
assert scipy.stats.norm.cdf(0.0) == 0.5
assert scipy.special.__file__.endswith("__init__.py")
"""


def test_every_function_is_that_of_scipy() -> None:
    for name in special.__all__:
        if name != "logsumexp":
            assert getattr(special, name) is getattr(whole, name), name


def test_they_come_without_the_rest_which_can_still_be_had() -> None:
    subprocess.run([sys.executable, "-c", LEAN], check=True)


@pytest.mark.parametrize("axis", [1, (1, 2)])
def test_the_logarithm_of_a_sum_is_that_of_scipy(axis: int | tuple[int, ...]) -> None:
    values = np.random.default_rng(3).normal(0.0, 300.0, (4, 5, 6))
    for keepdims in (False, True):
        ours = special.logsumexp(values, axis, keepdims=keepdims)
        np.testing.assert_allclose(
            ours, whole.logsumexp(values, axis=axis, keepdims=keepdims), rtol=1e-14
        )
