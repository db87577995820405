"""What was done in the print room, and what the readings say about it.

Imports ``collector``; never imports ``dashboards``.
"""
