"""Compressed pictures are decoded behind walls: in a process of its own, with little memory and little time."""
