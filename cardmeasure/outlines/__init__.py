"""Where the pieces lie: what differs from the table on a reduced picture, and what of that is a rectangle."""
