"""Tables from files: CSV and workbooks, as typed and as printed."""
