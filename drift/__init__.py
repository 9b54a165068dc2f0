"""Drift and control-chart analysis for fleets of pressure-type concrete air meters.

`drift.review` reviews a source as ``drift review`` does.  Names load when they are used.
"""

import sys
from importlib import import_module
from types import ModuleType
from typing import TYPE_CHECKING

from drift.threads import keep_one_thread
from drift.version import __version__

if TYPE_CHECKING:
    from drift.api.face import DriftError, Policy, Record, Review, Study
    from drift.api.face import detectability, proof, read, review, study  # isort: skip

__all__ = ["DriftError", "Policy", "Record", "Review", "Study", "__version__"]
__all__ += ["detectability", "proof", "read", "review", "study"]


class _Package(ModuleType):
    def __setattr__(self, name: str, value: object) -> None:
        # Loading the package of its own name would put that in the place of the function.
        if name != "review":
            super().__setattr__(name, value)


# Hidden from type checkers, which would take any name for one of these.
if not TYPE_CHECKING:

    def __getattr__(name: str) -> object:
        if name not in __all__:
            raise AttributeError(f"module 'drift' has no attribute {name!r}")
        keep_one_thread()  # before the numeric libraries load
        return vars(import_module("drift.api.face"))[name]


sys.modules[__name__].__class__ = _Package
