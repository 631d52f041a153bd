"""Given out and collected again: what lists offer, the protocol, copies with comments, answers."""
