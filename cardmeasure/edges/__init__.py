"""Edges of pieces, to hundredths of a pixel, in linear light."""
