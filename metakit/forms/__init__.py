"""Forms: their language, reading records with line and column, checking them."""
