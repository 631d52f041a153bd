"""Pictures: layout first (pure), then drawing on matplotlib."""
