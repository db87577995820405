"""Stepped heat-soak runs: program, engine, verdicts. Pure."""
