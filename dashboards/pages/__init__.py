"""The pages: one module each, thin: ask for the answer, say it."""
