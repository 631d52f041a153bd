"""Tables as journals and spreadsheets print them, read without renaming what is unambiguous."""
