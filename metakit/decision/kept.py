"""Answers kept as long as what they were made from: asked for again, they are not made again."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Concatenate, ParamSpec, TypeVar
from weakref import ref

Thing = TypeVar("Thing")
Answer = TypeVar("Answer")
Others = ParamSpec("Others")


def kept_while_alive(
    make: Callable[Concatenate[Thing, Others], Answer],
) -> Callable[Concatenate[Thing, Others], Answer]:
    """Keep the answers of a pure function of objects that never change, by which objects they are.

    An answer goes with its first object, which it may not hold, and is made anew for any other object, an
    equal one among them.
    """
    known: dict[int, tuple[ref[Thing], tuple[object, ...], Answer]] = {}

    @wraps(make)
    def found(thing: Thing, /, *others: Others.args, **named: Others.kwargs) -> Answer:
        place, rest = id(thing), (*others, *named.values())
        kept = known.get(place)
        if kept is not None and kept[0]() is thing:
            same = len(kept[1]) == len(rest) and all(a is b for a, b in zip(kept[1], rest, strict=True))
            if same:
                return kept[2]
        answer = make(thing, *others, **named)
        known[place] = (ref(thing, lambda gone: known.pop(place, None)), rest, answer)
        return answer

    return found
