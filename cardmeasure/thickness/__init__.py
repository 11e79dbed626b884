"""How thick pieces are, where not all of a photo are alike: rules by size class, shape, size or number."""
