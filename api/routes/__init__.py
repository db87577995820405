"""The HTTP routes under /api, one module per subject; each parses, calls and returns."""
