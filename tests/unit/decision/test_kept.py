"""Answers that are kept as long as what they were made from."""

import gc

from metakit.decision.kept import kept_while_alive


class Thing:
    def __init__(self, value: int) -> None:
        self.value = value

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Thing) and self.value == other.value

    __hash__ = None  # type: ignore[assignment]


def test_an_answer_is_made_once_for_each_object_and_goes_with_it() -> None:
    made: list[int] = []

    @kept_while_alive
    def double(thing: Thing, factor: object) -> list[int]:
        made.append(thing.value)
        return [2 * thing.value]

    one, other, factor = Thing(1), Thing(1), object()
    assert double(one, factor) is double(one, factor)
    assert made == [1]
    assert double(other, factor) is not double(one, factor)  # equal, but another object
    assert made == [1, 1]
    assert double(one, object()) == [2]  # something else beside it
    assert made == [1, 1, 1]
    (known,) = [
        cell.cell_contents for cell in double.__closure__ or () if isinstance(cell.cell_contents, dict)
    ]
    assert len(known) == 2
    del one
    gc.collect()
    assert len(known) == 1
