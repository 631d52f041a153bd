"""Records as workbooks and CSV: laid out from the form, written, read back into nodes with their cells."""
