"""Forest and funnel plots and the overview: what they show, and where it stands."""
