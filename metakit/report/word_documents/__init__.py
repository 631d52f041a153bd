"""The report as Word documents."""
