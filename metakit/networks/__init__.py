"""Networks of techniques and their components: contrasts, inconsistency, ranking, additivity."""
