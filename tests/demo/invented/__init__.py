"""The invented studies of the demonstration review: specifications, draws, and the writing of records."""
