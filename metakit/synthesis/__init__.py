"""A review's plan carried out: records to effect tables to results, with all notes."""
