"""Pages of the desk, one module a page; each says its routes and its place in the navigation."""
