"""Work that is shared: one function over many pieces, in this process, in several, or on a cluster.

A mapper takes a function and pieces and gives the answers in the order of the pieces, so that what is made
of them is the same wherever it was made. The function travels once to each process, not once a piece.
"""

from __future__ import annotations

import logging
import signal
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from typing import Any, Protocol, TypeVar

from metakit.errors import UsageError

CONNECT_SECONDS = 15
LOCAL = "local"
"""Stands for the address of a scheduler: a cluster of this machine, begun for the work."""

P = TypeVar("P")
R = TypeVar("R")


class Mapper(Protocol):
    """Applies a function to pieces of work, in order; the built-in `map` is one."""

    def __call__(self, function: Callable[[P], R], pieces: Sequence[P], /) -> Iterable[R]:
        """Return the answers in the order of the pieces."""
        ...


def mapper_for(workers: int, scheduler: str | None) -> Mapper:
    """Return the mapper that somebody asked for on the command line.

    Raises
    ------
    UsageError
        With fewer than one worker, or without what a scheduler needs.
    """
    if scheduler is not None:
        return cluster_mapper(None if scheduler == LOCAL else scheduler, workers)
    return process_mapper(workers) if workers != 1 else map


def process_mapper(workers: int) -> Mapper:
    """Return a mapper over processes of this machine.

    Raises
    ------
    UsageError
        With fewer than one worker.
    """
    if workers < 1:
        raise UsageError(f"{workers} workers can do nothing; at least 1 is needed")

    def mapped(function: Callable[[P], R], pieces: Sequence[P], /) -> Iterator[R]:
        pool = ProcessPoolExecutor(max_workers=workers, initializer=_hold, initargs=(function,))
        try:
            yield from pool.map(_held, pieces)
        except BaseException:  # also a wish to stop: what waits is not begun
            pool.shutdown(wait=False, cancel_futures=True)
            raise
        pool.shutdown()

    return mapped


_function: Callable[[Any], Any] | None = None


def _hold(function: Callable[[Any], Any]) -> None:
    """Keep the function in a process of the pool; a wish to stop reaches the first process alone."""
    global _function
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    _function = function


def _held(piece: Any) -> Any:
    if _function is None:
        raise RuntimeError("a process was asked before it knew what for")
    return _function(piece)


def cluster_mapper(address: str | None = None, workers: int = 2) -> Mapper:
    """Return a mapper over a Dask cluster: the scheduler at `address`, or a local cluster.

    Raises
    ------
    UsageError
        When the optional extra `cluster` is not installed (the message says how to get it), or when no
        scheduler answers at the address.
    """
    try:
        from distributed import Client, LocalCluster
    except ImportError:
        message = "this needs the extra 'cluster': python -m pip install 'metakit[cluster]'"
        raise UsageError(message) from None

    def mapped(function: Callable[[P], R], pieces: Sequence[P], /) -> Iterator[R]:
        if address is not None:
            try:
                client = Client(address, timeout=CONNECT_SECONDS)
            except (OSError, ValueError) as error:
                raise UsageError(f"no Dask scheduler answers at {address}: {error}") from None
            with client:
                yield from _gathered(client, function, pieces)
        else:
            with (
                LocalCluster(
                    n_workers=workers,
                    threads_per_worker=1,
                    dashboard_address=None,
                    silence_logs=logging.CRITICAL,  # workers complain while the cluster shuts down
                ) as cluster,
                Client(cluster) as client,
            ):
                yield from _gathered(client, function, pieces)

    return mapped


def _gathered(client: Any, function: Callable[[P], R], pieces: Sequence[P]) -> Iterator[R]:
    travelling = client.scatter(function, broadcast=True)
    futures = client.map(_called, list(pieces), function=travelling, pure=False)
    for future in futures:
        yield future.result()


def _called(piece: Any, function: Callable[[Any], Any]) -> Any:
    return function(piece)
