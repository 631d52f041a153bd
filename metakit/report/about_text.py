"""What authors say about their review: registration, money, interests, and where data and code are."""

from __future__ import annotations

from collections.abc import Iterable

from metakit.core.plans import Protocol

ABOUT = "About this review"


def about_sentences(protocol: Protocol) -> Iterable[str]:
    """Yield what the protocol states, in the authors' own words; nothing where nothing is typed."""
    for label, text in (
        ("Registration", protocol.registration),
        ("Protocol", protocol.protocol_available),
        ("Support", protocol.funding),
        ("Competing interests", protocol.competing_interests),
        ("Data", protocol.data_available),
        ("Code", protocol.code_available),
    ):
        words = " ".join(text.split()).rstrip(".")
        if words:
            yield f"{label}: {words}."
