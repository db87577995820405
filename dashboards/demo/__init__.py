"""The invented cellar workshop that the demo plays through the real broker."""
