"""Training of the map that says what is a card: views of tables from above are drawn, lit, and learned from."""
