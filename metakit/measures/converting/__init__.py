"""From the form in which numbers are reported to those of a measure."""
