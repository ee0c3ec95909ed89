"""Chest films with a known truth."""
