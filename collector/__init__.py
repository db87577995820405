"""Listens to sensor topics, understands their messages and keeps the readings.

Knows nothing of prints or soaks, and imports neither ``api`` nor ``dashboards``.
"""
