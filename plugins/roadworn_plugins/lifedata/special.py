"""The special functions of SciPy, without the rest of it.

Importing `scipy.special` takes six times as long as its functions: the time goes into the texts
that tell how each works on arrays of other libraries. An answer at the counter waits for that,
so the compiled functions are taken by themselves; where that cannot be done they come as usual.
"""

import importlib
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
from numpy.typing import NDArray

_NAME = "scipy.special"


def _functions() -> Any:  # noqa: ANN401
    if _NAME in sys.modules:
        return sys.modules[_NAME]
    import scipy

    # The package stands in for itself without its first file, as long as the functions load.
    bare = ModuleType(_NAME)
    bare.__path__ = [str(Path(scipy.__file__).parent / "special")]
    sys.modules[_NAME] = bare
    try:
        found = importlib.import_module(f"{_NAME}._ufuncs")
        whole = all(hasattr(found, name) for name in __all__ if name != "logsumexp")
    except ImportError:
        whole = False
    finally:
        del sys.modules[_NAME]
        # Whoever wants the whole package after this finds it where it always is.
        vars(scipy).pop("special", None)
    return found if whole else importlib.import_module(_NAME)


def logsumexp(
    values: NDArray[np.float64], axis: int | tuple[int, ...], *, keepdims: bool = False
) -> NDArray[np.float64]:
    """Return the logarithm of the sum of exponentials over some axes, of finite values."""
    top = values.max(axis=axis, keepdims=True)
    total = top + np.log(np.exp(values - top).sum(axis=axis, keepdims=True))
    return np.asarray(total if keepdims else np.squeeze(total, axis=axis))


__all__ = [
    "betainc",
    "betaincinv",
    "chdtr",
    "chdtrc",
    "chdtri",
    "erfcx",
    "expit",
    "gamma",
    "gammainc",
    "gammaincc",
    "gammaincinv",
    "gammaln",
    "ive",
    "log_ndtr",
    "logit",
    "logsumexp",
    "nbdtrik",
    "ndtr",
    "ndtri",
    "pdtr",
    "pdtrc",
    "pdtrik",
    "stdtr",
    "stdtrit",
    "xlog1py",
    "xlogy",
]
_ufuncs = _functions()
betainc = _ufuncs.betainc
betaincinv = _ufuncs.betaincinv
chdtr = _ufuncs.chdtr
chdtrc = _ufuncs.chdtrc
chdtri = _ufuncs.chdtri
erfcx = _ufuncs.erfcx
expit = _ufuncs.expit
gamma = _ufuncs.gamma
gammainc = _ufuncs.gammainc
gammaincc = _ufuncs.gammaincc
gammaincinv = _ufuncs.gammaincinv
gammaln = _ufuncs.gammaln
ive = _ufuncs.ive
log_ndtr = _ufuncs.log_ndtr
logit = _ufuncs.logit
nbdtrik = _ufuncs.nbdtrik
ndtr = _ufuncs.ndtr
ndtri = _ufuncs.ndtri
pdtr = _ufuncs.pdtr
pdtrc = _ufuncs.pdtrc
pdtrik = _ufuncs.pdtrik
stdtr = _ufuncs.stdtr
stdtrit = _ufuncs.stdtrit
xlog1py = _ufuncs.xlog1py
xlogy = _ufuncs.xlogy
