"""The printed reference: its design, its drawing, its print scale, and how it is found in a photo."""
