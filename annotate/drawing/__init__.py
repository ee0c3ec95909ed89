"""What is drawn: the picture of a Reading, ruler and zone on a film, colours, the close-up, charts."""
