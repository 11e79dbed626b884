"""How thick cards are of which nothing is said.

Cards of board games are 0.25 to 0.36 mm thick (common practice, no source); u is that of an even spread over as much,
0.11 mm / sqrt(12) (JCGM 100:2008, 4.3.7).
"""

CARD_MM, U_CARD_MM = 0.30, 0.03
