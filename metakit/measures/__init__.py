"""Effect measures: from typed numbers to effects with their sampling variances."""
