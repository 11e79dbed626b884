"""Pieces that are measured after the photo is solved: rounds, polygons, and whatever is thicker than card."""
