"""What travels with every number up to the page: studies set aside, and what was assumed."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class SetAside:
    """A study that does not enter an analysis, and why."""

    study: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Assumption:
    """One step between the typed number and the analysed one.

    `rule` says what was done, `inputs` shows the numbers that went in and came out,
    `reference` is a key of the bibliography ("" for common practice without a source).
    """

    study: str
    rule: str
    inputs: str = ""
    reference: str = ""

    def __str__(self) -> str:
        return f"{self.study}: {self.rule}" + (f" ({self.inputs})" if self.inputs else "")
