"""A protocol with a few of its analyses, for tests that need a review but not every answer."""

from __future__ import annotations

from collections.abc import Collection


def with_only(protocol: str, analyses: Collection[str]) -> str:
    """Return a protocol text with these analyses, without networks and all that follows the analyses."""
    lines = protocol.splitlines()
    start = lines.index("analyses:") + 1
    end = next(n for n in range(start, len(lines)) if not lines[n].startswith(" "))
    kept = [line for line in lines[start:end] if line.split("id: ")[1].split(",")[0] in analyses]
    assert len(kept) == len(analyses)
    head = lines[: lines.index("networks:")] if "networks:" in lines[:start] else lines[: start - 1]
    return "\n".join([*head, "analyses:", *kept]) + "\n"
