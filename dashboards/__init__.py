"""The pages, the command line and the demo: the outermost layer."""
