"""Study selection: search results in, duplicates found, two people's decisions, the flow of the review."""
