"""metakit: evidence synthesis for thumb-base (trapeziometacarpal) surgery.

Decision support for licensed clinicians. It does not replace clinical judgement, local codes or policy.
Names are loaded when first used, so that ``import metakit`` costs next to nothing.
"""

from __future__ import annotations

TYPE_CHECKING = False  # as in typing, whose loading would keep a wish to stop waiting

__version__ = "0.1.0"

if TYPE_CHECKING:
    from metakit.core.answers import Answers as Answers
    from metakit.core.bibliography import reference as reference
    from metakit.core.effects import EffectTable as EffectTable
    from metakit.core.results import PoolResult as PoolResult
    from metakit.errors import ConvergenceError as ConvergenceError
    from metakit.errors import DataError as DataError
    from metakit.errors import MetakitError as MetakitError
    from metakit.errors import NotEstimableError as NotEstimableError
    from metakit.errors import Problem as Problem
    from metakit.errors import ProblemsError as ProblemsError
    from metakit.errors import UnknownNameError as UnknownNameError
    from metakit.errors import UnreadableError as UnreadableError
    from metakit.errors import UsageError as UsageError
    from metakit.measures.frames import read_table as read_table
    from metakit.measures.registry import MEASURES as MEASURES
    from metakit.measures.tables import effect_sizes as effect_sizes
    from metakit.models.asked import compare as compare
    from metakit.models.asked import cumulative as cumulative
    from metakit.models.asked import leave_one_out as leave_one_out
    from metakit.models.asked import small_study_tests as small_study_tests
    from metakit.models.causes_of_return.causes import causes as causes
    from metakit.models.differing.influence import influence as influence
    from metakit.models.differing.meta_regression import meta_regression as meta_regression
    from metakit.models.differing.subgroups import subgroups as subgroups
    from metakit.models.pool import pool as pool
    from metakit.models.registry import MODELS as MODELS
    from metakit.networks.reading import network as network
    from metakit.workbench import decide as decide
    from metakit.workbench import open_review as open_review

_HOMES = {
    "reference": "metakit.core.bibliography",
    "EffectTable": "metakit.core.effects",
    "PoolResult": "metakit.core.results",
    "Answers": "metakit.core.answers",
    "ConvergenceError": "metakit.errors",
    "DataError": "metakit.errors",
    "MetakitError": "metakit.errors",
    "NotEstimableError": "metakit.errors",
    "Problem": "metakit.errors",
    "ProblemsError": "metakit.errors",
    "UnknownNameError": "metakit.errors",
    "UnreadableError": "metakit.errors",
    "UsageError": "metakit.errors",
    "MEASURES": "metakit.measures.registry",
    "read_table": "metakit.measures.frames",
    "effect_sizes": "metakit.measures.tables",
    "compare": "metakit.models.asked",
    "leave_one_out": "metakit.models.asked",
    "cumulative": "metakit.models.asked",
    "small_study_tests": "metakit.models.asked",
    "influence": "metakit.models.differing.influence",
    "subgroups": "metakit.models.differing.subgroups",
    "meta_regression": "metakit.models.differing.meta_regression",
    "causes": "metakit.models.causes_of_return.causes",
    "pool": "metakit.models.pool",
    "MODELS": "metakit.models.registry",
    "network": "metakit.networks.reading",
    "decide": "metakit.workbench",
    "open_review": "metakit.workbench",
}
__all__ = ["__version__", *sorted(_HOMES)]


def __getattr__(name: str) -> object:
    """Load a public name from its home on first use (PEP 562)."""
    import importlib

    home = _HOMES.get(name)
    if home is None:
        raise AttributeError(f"module 'metakit' has no attribute {name!r}")
    value = getattr(importlib.import_module(home), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return __all__
