"""How long it takes to read and compare the records of large searches: python -m tests.benchmarks.selection.

The records are made up: titles of made-up words by Zipf's law, a third of them repeating earlier ones.
"""

from __future__ import annotations

import csv
import random
import resource
import shutil
import tempfile
import time
from pathlib import Path

from metakit.review.selection.citations import Citation
from metakit.review.selection.duplicates import find_duplicates
from metakit.review.selection.importing import import_search

ROOT = Path(__file__).resolve().parents[2]
SIZES = (12_500, 25_000, 50_000)


def records(size: int, seed: int = 1) -> list[Citation]:
    """Return made-up records; a third repeats an earlier one, in capitals or with a slip."""
    draw = random.Random(seed)
    words = [f"w{chr(97 + n % 26)}{chr(97 + n // 26 % 26)}{chr(97 + n // 676)}ing" for n in range(6_000)]
    weights = [1 / (n + 3) for n in range(len(words))]
    names = [f"Name{chr(97 + n % 26)}{chr(97 + n // 26)}" for n in range(600)]
    made: list[Citation] = []
    for number in range(size):
        one = f"C{number:06d}"
        if made and draw.random() < 0.35:
            old = draw.choice(made)
            title = old.title.upper() if draw.random() < 0.5 else old.title.replace("wa", "w", 1)
            made.append(
                Citation(
                    citation_id=one, title=title, authors=old.authors, year=old.year, journal=old.journal,
                    doi=old.doi if draw.random() < 0.5 else "", pubmed_id="", search="b", volume=old.volume,
                    pages=old.pages,
                )
            )  # fmt: skip
            continue
        made.append(
            Citation(
                citation_id=one, title=" ".join(draw.choices(words, weights, k=draw.randint(7, 16))),
                authors=f"{draw.choice(names)}, A.", year=draw.randint(1970, 2026),
                journal=f"Journal {draw.randint(1, 80)}", doi=f"10.1234/{number}" if draw.random() < 0.7 else "",
                pubmed_id="", search="a", volume=str(draw.randint(1, 60)), pages=str(draw.randint(1, 900)),
            )
        )  # fmt: skip
    return made


def main() -> None:
    """Print processor seconds of comparing alone, then of the whole import of the largest."""
    for size in SIZES:
        made = records(size)
        start = time.process_time()
        found = find_duplicates(made)
        print(f"{size:>7,} records compared: {time.process_time() - start:5.1f} s, {len(found):,} rows")
    with tempfile.TemporaryDirectory() as scratch:
        review = Path(scratch) / "review"
        shutil.copytree(ROOT / "demo_studies", review)
        shutil.rmtree(review / "selection")
        export = Path(scratch) / "database.csv"
        with export.open("w", newline="", encoding="utf-8") as stream:
            out = csv.writer(stream)
            out.writerow(["title", "authors", "year", "journal", "doi"])
            out.writerows([c.title, c.authors, c.year, c.journal, c.doi] for c in records(SIZES[-1]))
        start = time.process_time()
        import_search(export, review)
        print(f"{SIZES[-1]:>7,} records imported: {time.process_time() - start:5.1f} s")
    print(f"most memory: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3:.0f} MB")


if __name__ == "__main__":
    main()
