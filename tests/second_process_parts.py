"""Parts that tests have made by a second process; they import nothing, so that it starts fast."""

from __future__ import annotations

import os
import time
import warnings
from functools import partial

NAMES = ("first", "second", "third")


def made(request, progress, name):
    """Return who made a part; do what the request says on the way."""
    progress(f"making {name}")
    if request == "fail" and name == "second":
        raise ValueError(name)
    if request == "long":
        time.sleep(1000)
    if request == "warn":
        warnings.warn(f"beware of {name}", UserWarning, stacklevel=1)
    return os.getpid()


def makers(request, progress):
    """Return the parts, as a maker of `SecondProcess`."""
    return {name: partial(made, request, progress, name) for name in NAMES}
