"""Chest films with a known truth: `recipe` turns a seed into dials, `film` makes the film, `batch` many."""
