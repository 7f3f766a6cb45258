"""What the window knows: no widgets, no Qt; tested without either."""
