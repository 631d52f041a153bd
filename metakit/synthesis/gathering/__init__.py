"""From typed records to the numbers of an analysis, every step logged."""
