"""What a review found, told once: facts turned into blocks that page, Word document and terminal render."""
