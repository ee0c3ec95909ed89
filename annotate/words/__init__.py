"""What is said: a Reading as one screen or one line of text; and what people type, as values."""
