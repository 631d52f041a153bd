"""The figures of a report, drawn once."""
