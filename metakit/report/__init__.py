"""Pages: what was found, in words, tables and pictures."""
