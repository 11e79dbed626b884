"""Lens profiles: what several shots of one phone tell of its lens, kept for the next ones."""
