"""Where the subsets of `metakit explore --all-subsets` are pooled, and the bar that shows how far it got."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from metakit.models.differing.exploring import SubsetRequest


def subset_request(
    chosen: tuple[str, ...], *, tau2: str, workers: int, scheduler: str | None
) -> SubsetRequest:
    """Return the request for one process, several, or a Dask cluster; the numbers are the same.

    Parameters
    ----------
    chosen : tuple of str
        Studies to mark.
    workers : int
        Processes of this machine, also of a local cluster.
    scheduler : str or None
        Address of a Dask scheduler, or `local`.
    """
    from metakit.core.sharing import mapper_for
    from metakit.models.differing.exploring import SubsetRequest

    return SubsetRequest(chosen=chosen, tau2=tau2, mapper=mapper_for(workers, scheduler), progress=_bar())


def _bar() -> Callable[[float], None]:
    """Return a function that moves a bar on the terminal's error stream; nothing is shown elsewhere."""
    from rich.console import Console
    from rich.progress import Progress

    progress = Progress(console=Console(stderr=True), transient=True)
    task = progress.add_task("subsets", total=1.0)

    def move(done: float) -> None:
        if done < 1.0 and progress.console.is_terminal:
            progress.start()
        progress.update(task, completed=done)
        if done >= 1.0:
            progress.stop()

    return move
