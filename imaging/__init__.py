"""A file becomes a film; a film becomes proposed landmarks."""
