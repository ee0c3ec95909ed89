"""Numbers in, numbers out: what is measured on a chest film, with its uncertainty."""
