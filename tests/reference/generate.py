"""Write tests/reference/certified/*.json from the 50-digit oracle.

Run from the top of the project, with mpmath and pyyaml installed (they are in the `test` extra):

    python tests/reference/generate.py                 # everything: about three quarters of an hour on one core
    python tests/reference/generate.py bayesian hard   # only these topics
    python tests/reference/generate.py --list          # the topics

The output depends on nothing but this folder: the published tables, the seeds in oracle/cases.py and
the arithmetic. Running it twice gives the same bytes. Inputs are written as exact decimal strings, or as the
decimal strings of doubles ("doubles": true), whose exact binary values the oracle then used; outputs have 22
significant digits of about 50 (integrals: of about 28) that were computed.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from pathlib import Path

from oracle.precision import printed
from oracle.topics import TOPICS

CERTIFIED = Path(__file__).resolve().parent / "certified"


def write(topic: str) -> None:
    """Compute one topic and write its file."""
    started = time.perf_counter()
    description, records = TOPICS[topic]()
    body = ",\n".join(
        json.dumps(printed(record), ensure_ascii=False, separators=(",", ":")) for record in records
    )
    head = json.dumps({"topic": topic, "description": description}, ensure_ascii=False)[:-1]
    path = CERTIFIED / f"{topic}.json"
    path.parent.mkdir(exist_ok=True)
    path.write_text(f'{head}, "cases": [\n{body}\n]}}\n', encoding="utf-8")
    print(
        f"{path.name}: {len(records)} cases, {path.stat().st_size / 1000:.0f} kB, {time.perf_counter() - started:.0f} s",
        file=sys.stderr,
    )


def main() -> None:
    """Write the topics asked for, or all."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("topics", nargs="*", metavar="topic", help="default: all")
    parser.add_argument("--list", action="store_true", help="print the topics and stop")
    chosen = parser.parse_args()
    if chosen.list:
        print("\n".join(TOPICS))
        return
    unknown = [topic for topic in chosen.topics if topic not in TOPICS]
    if unknown:
        parser.error(f"unknown topic {', '.join(unknown)}; valid: {', '.join(TOPICS)}")
    for topic in chosen.topics or TOPICS:
        write(topic)


if __name__ == "__main__":
    main()
