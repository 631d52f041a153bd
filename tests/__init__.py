"""Tests. A package, so that no `tests` folder of an installed library can stand in for it."""
