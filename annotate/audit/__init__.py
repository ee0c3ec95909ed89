"""`lipmark audit`: malposition over many films."""
