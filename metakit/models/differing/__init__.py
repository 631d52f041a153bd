"""Why and how much studies differ: regression, subgroups, influence, fragility."""
