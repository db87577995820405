"""The record of what was done: resins, machines, prints, parts, soak runs and looks."""
