"""Real photographs as the yardstick: a square painted through each photo's own lens, measured, and compared.

Imports point one way: command, report, history -> measuring, scoring -> painting -> halo, lens -> side_points, corpus.
"""
