"""Statistics over many films: agreement, rates, control charts, sample sizes; nothing clinical imports them."""
