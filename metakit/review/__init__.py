"""The review folder: protocol, records, typed views of them."""
