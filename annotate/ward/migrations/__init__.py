"""How the ward's tables came to be."""
