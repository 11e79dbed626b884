"""One module per form in which results are handed on: terminal table, JSON, CSV, picture."""
