"""What the window shows: widgets that draw what the models hand them."""
