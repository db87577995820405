"""Readings on their way in and out: files in open forms, and from one store to another."""
