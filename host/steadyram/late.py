"""numpy and scipy, loaded when one of them is first used: most commands answer `--help` or refuse an input before that.

`from steadyram.late import np, scipy` in place of importing them; types see the real modules.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

__all__ = ["np", "scipy"]


class _Late:
    """Stands for a module until something of it is asked for; what was found once is an attribute of its own."""

    def __init__(self, name: str) -> None:
        self._name = name

    def __getattr__(self, wanted: str) -> Any:
        found = getattr(import_module(self._name), wanted)
        self.__dict__[wanted] = found
        return found


if TYPE_CHECKING:
    import numpy as np
    import scipy
else:
    np, scipy = _Late("numpy"), _Late("scipy")
