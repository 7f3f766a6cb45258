"""Monte-Carlo comparison of the loop with simpler estimators and with the limit."""
