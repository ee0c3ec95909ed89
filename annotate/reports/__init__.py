"""What the HTML reports have in common: one frame, one style, one way to fill a template."""
