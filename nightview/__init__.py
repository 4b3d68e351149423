"""nightview: what a garden and house will look like at night, calculated, before anyone digs.

The pipeline, one call a step: ``read → build → trace → mix → draw → develop``. Nothing is loaded
before it is used, so that reading a scene needs no graphics.
"""

from __future__ import annotations

import os
from importlib import import_module
from typing import Any

# Our matrices are small and our own threads use the cores: BLAS's threads on top of them cost more
# than twice the time. It is asked when numpy is first loaded.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

_HOME = {
    "read": "nightview.scene.read",
    "Scene": "nightview.scene.model",
    "build": "nightview.site.build",
    "trace": "nightview.light.field",
    "mix": "nightview.light.field",
    "State": "nightview.light.field",
    "at_points": "nightview.light.lookup",
    "draw": "nightview.picture.still",
    "develop": "nightview.picture.still",
    "write": "nightview.picture.still",
    "NightviewError": "nightview.errors",
}
__all__ = sorted(_HOME)


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"nightview has no {name!r}; it has {', '.join(__all__)}")
    return getattr(import_module(_HOME[name]), name)


def __dir__() -> list[str]:
    return __all__
