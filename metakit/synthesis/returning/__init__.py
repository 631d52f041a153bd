"""Why thumbs come back: causes, what was done the first time, MP angles."""
