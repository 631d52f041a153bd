"""Parts of numpy that scipy names when it is loaded and no command uses: loaded at their first use.

They are numpy's own tools of testing and of binding other languages, and cost more than numpy itself.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from importlib.abc import MetaPathFinder
from importlib.machinery import ModuleSpec, PathFinder
from importlib.util import LazyLoader
from types import ModuleType

UNUSED = frozenset({"numpy.ctypeslib", "numpy.f2py", "numpy.testing"})


class UnusedParts(MetaPathFinder):
    """Find the unused parts where they always are, and load them at their first use."""

    def find_spec(
        self, fullname: str, path: Sequence[str] | None, target: ModuleType | None = None
    ) -> ModuleSpec | None:
        """Return the place of an unused part; of anything else, nothing, so that others look for it."""
        if fullname not in UNUSED:
            return None
        found = PathFinder.find_spec(fullname, path, target)
        if found is not None and found.loader is not None:
            found.loader = LazyLoader(found.loader)
        return found


def leave_unused_parts() -> None:
    """Load the unused parts at their first use, from now on, in the process of a command."""
    if not any(isinstance(finder, UnusedParts) for finder in sys.meta_path):
        sys.meta_path.insert(0, UnusedParts())
